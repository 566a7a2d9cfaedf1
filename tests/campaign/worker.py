"""A process that makes trials, one a line of standard input (kind, seed), and answers with a JSON line each.

A timer on processor time ends it, also inside a kernel: whoever asked sees that no answer comes, and starts another.
"""

from __future__ import annotations

import json
import os
import signal
import sys
from dataclasses import asdict

LIMIT = 30.0


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
        made = trial(kind, int(seed))
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        print(json.dumps(asdict(made)), file=answers, flush=True)


if __name__ == "__main__":
    serve()
