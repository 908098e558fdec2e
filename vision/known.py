"""What the readings of a watch have left behind since the cube's state last changed."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Final

from vision.passing import LONGEST_FRAMES
from vision.reasoner import Outcome
from vision.timing import Instant

MIRROR_FROM: Final = 0.995
MIRROR_READS: Final = 4


@dataclass(eq=False)
class Known:
    """``outcome`` is the last reading, ``settled_at`` since when its case is settled, ``one_colour`` the
    colour that the whole top face has, if any, and how often in a row that was read; ``mirror_reads`` counts
    readings in a row that are sure of a mirror image, ``last_read`` is the last frame that was sent to be
    read, ``times`` are those of the last frames, in seconds."""

    outcome: Outcome | None = None
    settled_at: Instant | None = None
    one_colour: tuple[int | None, int] = (None, 0)
    mirror_reads: int = 0
    last_read: int = -1000
    times: deque[float] = field(default_factory=lambda: deque(maxlen=LONGEST_FRAMES + 8))

    def take(self, outcome: Outcome) -> bool:
        """Take a reading in; True when by now it is sure that the source is mirrored."""
        before, self.outcome = self.outcome, outcome
        settled = outcome.verdict is not None and outcome.verdict.settled
        if settled and self.settled_at is None:
            self.settled_at = Instant(before.time_s if before is not None else outcome.time_s, outcome.time_s)
        elif not settled:
            self.settled_at = None
        colour, times = self.one_colour
        self.one_colour = (outcome.one_colour, times + 1 if outcome.one_colour == colour else 1)
        sure = outcome.mirrored_probability > MIRROR_FROM and outcome.verdict is not None
        self.mirror_reads = self.mirror_reads + 1 if sure and outcome.verdict and outcome.verdict.case else 0
        return self.mirror_reads >= MIRROR_READS

    def shows_one_colour(self, wanted: int | None) -> bool:
        """Whether the top face has come to one colour, ``wanted`` or any where that is None."""
        colour, times = self.one_colour
        return colour is not None and times >= 2 and wanted in (None, colour)
