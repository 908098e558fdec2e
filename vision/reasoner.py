"""From the stickers of single frames to a verdict over all of them; off the frame loop when it is live.

Reading one frame's stickers costs more than tracking it, so a live view hands the newest samples to a thread
and goes on showing pictures; a recording that is worked off without a window waits for each reading.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from calibration.profile import Profile
from calibration.reading import Reading, read_stickers
from calibration.samples import LEAST_COVERAGE, StickerSamples
from models.decode_doubt import is_doubted
from models.decode_view import next_view
from vision.chirality import Chirality
from vision.evidence import SOLVED, Evidence, Verdict
from vision.pose import CubePose
from vision.whose_colour import look_at
from vision.worker import Worker

ONE_COLOUR_FROM: Final = 0.9


@dataclass(frozen=True, eq=False)
class Job:
    """One frame's stickers. ``epoch`` counts how often the evidence has been dropped, ``number`` frames;
    ``weight`` (6, n, n) how much each sticker's word counts, 0..1; ``front`` the face taken as F, and
    ``front_side`` which of ``holding.FRONTS`` it was wanted to be; ``turned_over`` whether the frames are put
    right as those of a mirrored source."""

    number: int
    epoch: int
    time_s: float
    image_bgr: NDArray[np.uint8]
    pose: CubePose
    samples: StickerSamples
    weight: NDArray[np.float64]
    front: int
    front_side: str | None = None
    turned_over: bool = False


@dataclass(frozen=True, eq=False)
class Outcome:
    """What is known after a job. ``one_colour``: the colour index of a face that this frame by itself shows
    to be the top of an oriented last layer, else None;
    ``doubtful`` that the frame spoke against what was known, or the frames so far against the chirality that
    was read; ``mirrored_probability`` that of the source, 0..1; ``next_view`` as in the answer format;
    ``front`` and ``front_side`` are those that the verdict was made with, which may have stood for a while;
    ``samples`` and ``reading`` are the frame's own, None where no sticker was seen."""

    number: int
    epoch: int
    time_s: float
    verdict: Verdict | None
    one_colour: int | None
    doubtful: bool
    mirrored_probability: float
    next_view: str | None
    top_look: tuple[int, ...]
    front: int
    front_side: str | None
    samples: StickerSamples | None = None
    reading: Reading | None = None


class Reasoner:
    """Takes jobs, gives outcomes. ``background`` runs them in a thread, of which only the newest waits."""

    def __init__(self, profile: Profile, *, background: bool) -> None:
        self._profile = profile
        self._evidence: Evidence | None = None
        self._epoch = -1
        self._chirality, self._turned_over = Chirality(), False
        self._judged: tuple[Verdict | None, int, str | None] = None, 2, None
        self._worker = Worker(self._work, name="lastlook-reader", background=background)

    @property
    def busy(self) -> bool:
        """Whether a job is waiting; a caller may spare itself the sampling."""
        return self._worker.waiting

    def offer(self, job: Job) -> None:
        """Hand over a job; in the background an older one that still waits is given up."""
        self._worker.offer(job)

    def collect(self) -> Outcome | None:
        """The newest outcome not yet collected."""
        return self._worker.collect()

    def close(self) -> None:
        """End the thread."""
        self._worker.close()

    def _work(self, job: Job) -> Outcome:
        size = job.samples.size
        if self._evidence is None or job.epoch != self._epoch or self._evidence.size != size:
            self._evidence = Evidence(
                size, self._profile.scheme, temperature=float(self._profile.model.temperature)
            )
            self._epoch = job.epoch
        evidence = self._evidence
        if not (job.samples.coverage > LEAST_COVERAGE).any():
            return Outcome(
                job.number, job.epoch, job.time_s, None, None, False, 0.0, None, (), job.front, job.front_side
            )
        sure_top = evidence.sure_top
        # what hands cover is known from the finder, in the samples: with the network's word on it as well, a
        # top that is hidden would leave another face alone to be read
        look = look_at(job.image_bgr, job.pose) if sure_top in (None, 0) else None
        reading = read_stickers(
            job.samples,
            self._profile,
            tops=None if sure_top is None else (sure_top,),
            front=job.front,
            second=None if look is None else look.told(job.samples),
        )
        if job.turned_over != self._turned_over:
            self._chirality, self._turned_over = Chirality(), job.turned_over
        self._chirality.add(reading.posterior.mirrored_probability)
        before = evidence.frames
        taken = evidence.add(reading.joined_loglik, job.samples.coverage * job.weight)
        alone = reading.posterior
        one_colour: int | None = None
        if alone.case_probabilities[SOLVED] > ONE_COLOUR_FROM:
            top_seen = float(job.samples.coverage[alone.top].mean())
            if top_seen > 0.6 and not is_doubted(alone, strict=True):
                one_colour = alone.face_colours[alone.top]
        tops = (
            (sure_top,)
            if sure_top is not None
            else tuple(int(f) for f in np.unique(np.nonzero(evidence.seen)[0]))
        )
        verdict = evidence.verdict(tops, job.front, self._chirality.opposes)
        if verdict is None or verdict is not self._judged[0]:
            self._judged = verdict, job.front, job.front_side
        view = None
        top_look: tuple[int, ...] = ()
        opposed = False
        if verdict is not None:
            posterior = verdict.posterior
            opposed = self._chirality.opposes(posterior.mirrored)
            top_look = tuple(int(c) for c in posterior.marginals[posterior.top].argmax(-1).ravel())
            if not verdict.settled and verdict.reason in (None, "ambiguous"):
                view = next_view(posterior)
        return Outcome(
            job.number,
            job.epoch,
            job.time_s,
            verdict,
            one_colour,
            opposed or (not taken and before > 0),
            self._chirality.probability,
            view,
            top_look,
            *self._judged[1:],
            job.samples,
            reading,
        )
