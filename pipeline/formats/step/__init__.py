"""datums.step: what was recovered, as supplemental geometry (ISO 16792) for CAD.

`write_step` writes it from a datum file and from what of it was `Seen`. It needs the CAD kernel, so import this room
only where the file is wanted. `surfaces` is the one place that tells surfaces apart, by what
ISO 10303-42 calls them.
"""

from __future__ import annotations

from pipeline.formats.step.document import empty_document, write_document
from pipeline.formats.step.items import Seen, label_of
from pipeline.formats.step.write import write_step

__all__ = ["Seen", "empty_document", "label_of", "write_document", "write_step"]
