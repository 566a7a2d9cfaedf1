"""A process that makes trials, one a line of standard input (kind, seed), and answers with a JSON line each.

A timer on processor time ends it, also inside a kernel, and one on the clock where it waits for something: whoever
asked sees that no answer comes, and starts another.
"""

from __future__ import annotations

import json
import os
import signal
import sys
from dataclasses import asdict

LIMIT, WAIT = 30.0, 300.0


def serve() -> None:
    """Answer until the input ends."""
    from tests.campaign.trial import trial, warm_up

    answers = os.fdopen(os.dup(1), "w")
    sys.stdout = sys.stderr
    warm_up()
    print("ready", file=answers, flush=True)
    for line in sys.stdin:
        kind, seed = line.split()
        signal.setitimer(signal.ITIMER_PROF, LIMIT)
        signal.setitimer(signal.ITIMER_REAL, WAIT)
        made = trial(kind, int(seed))
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        print(json.dumps(asdict(made)), file=answers, flush=True)


if __name__ == "__main__":
    serve()
