"""One frame after another: find, follow, read, add up, time. No window and no printing in here."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.profile import Profile
from vision.evidence import SOLVED, Verdict
from vision.follower import Follower
from vision.frame_report import FrameReport, SettledState
from vision.frame_shape import FrameShape
from vision.holding import front_face, view_weight
from vision.known import Known
from vision.locate import find_cubes
from vision.naming import Naming
from vision.pose import CubePose
from vision.reasoner import Job, Outcome, Reasoner
from vision.sample import sample_stickers
from vision.seeker import Find
from vision.stream import StreamFrame
from vision.timing import AttemptTimer, Instant, Seen
from vision.track import Tracked
from vision.turning import TurnWatch

Image = NDArray[np.uint8]

SETTLED_READ_EVERY: Final = 6
CHECK_UNSETTLED_S: Final = 0.16
CHECK_SETTLED_S: Final = 1.5


class Watcher:
    """Feed :meth:`step` with frames. ``live`` searches and reads in threads; else every frame waits for both.

    ``size`` fixes the number of layers, ``front`` is one of ``holding.FRONTS``; ``find`` finds cubes.
    """

    def __init__(
        self,
        profile: Profile,
        *,
        size: int | None = None,
        front: str | None = None,
        live: bool = False,
        find: Find = find_cubes,
    ) -> None:
        self.front_wanted = front
        self.mirrored = False
        self.timer = AttemptTimer()
        self._naming = Naming.of(profile)
        self._shape = FrameShape(find)
        self._follower = Follower(self._shape.find, size=size, live=live)
        self._reasoner = Reasoner(profile, background=live)
        self._turns: TurnWatch | None = None
        self._epoch = self._labels = 0
        self._front = 2
        self._known = Known()
        self._told: Verdict | None = None
        self._rested: Instant | None = None
        self._began: Instant | None = None
        self._checked_s = 0.0
        self._seen_s = 0.0
        self._was_settled = False

    @property
    def outcome(self) -> Outcome | None:
        """The last reading, None since the evidence was dropped."""
        return self._known.outcome

    def close(self) -> None:
        """End the threads."""
        self._follower.close()
        self._reasoner.close()

    def turn_over(self) -> None:
        """Take the source for mirrored, or no longer; everything begins anew."""
        self.mirrored = not self.mirrored
        self._begin_anew()

    def _begin_anew(self) -> None:
        self._follower.lose()
        self._turns, self._rested = None, None
        self._renamed()
        self.timer.forget()

    def step(self, frame: StreamFrame) -> FrameReport:
        """Take one frame in."""
        if reshaped := self._shape.changes():
            self._begin_anew()
        image = self._shape.shown(frame.image_bgr)
        if self.mirrored:
            image = np.asarray(cv2.flip(image, 1), np.uint8)
        tracked = self._follow(frame, image)
        turning = False
        if tracked is not None:
            self._known.times.append(frame.time_s)
            turning = self._watch_turns(tracked, frame, image)
            self._checks(frame, image, turning or self._follower.held)
        in_sight = tracked is not None and self._follower.in_sight
        tracked_pose = self._follower.pose if in_sight else None
        if tracked_pose is not None and not turning and not self._follower.held:
            self._read(tracked_pose, frame, image)
        if self._take_outcome():
            return replace(self.step(frame), turned_over=True)
        report = self._report(frame, image, tracked_pose, turning)
        return replace(report, reshaped=True) if reshaped else report

    # where the cube is

    def _follow(self, frame: StreamFrame, image: Image) -> Tracked | None:
        tracked = self._follower.step(frame.index, image)
        change = self._follower.change
        if tracked is None or not change:
            return tracked
        turning = self._turns is not None and self._turns.turning
        self._turns = TurnWatch(tracked.pose.size)
        if change == "other":
            self._rested = None
            self._renamed()
        elif turning and change == "found":  # out of sight in the middle of a turn: it may be over
            self._rested = Instant(self._seen_s, frame.time_s)
            self._forget()
        elif turning:
            self._turns.go_on()
        return tracked

    def _checks(self, frame: StreamFrame, image: Image, turning: bool) -> None:
        """Ask for a fresh sighting now and then, sooner while nothing settles."""
        self._seen_s = frame.time_s
        wait_s = CHECK_SETTLED_S if self._was_settled else CHECK_UNSETTLED_S
        news = self._follower.new_face_in_view
        if not turning and (news or frame.time_s - self._checked_s >= wait_s):
            self._checked_s = frame.time_s
            self._follower.ask(frame.index, image)

    def _renamed(self) -> None:
        self._labels += 1
        self._forget()

    def _forget(self) -> None:
        """The evidence so far says nothing of what comes."""
        self._epoch += 1
        times = self._known.times
        self._known = Known(times=times)

    # turns

    def _watch_turns(self, tracked: Tracked, frame: StreamFrame, image: Image) -> bool:
        assert self._turns is not None
        was = self._turns.turning
        state = self._turns.see(
            tracked.misfit,
            tracked.slice_turns_rad,
            tracked.slice_explained,
            tracked.fit,
            self._follower.layer_stands,
            lambda: self._follower.glance(image),
            self._follower.seams_straight,
        )
        if self._follower.held and self._turns.passing is None:
            self._checked_s = -np.inf  # what has passed may have drawn the track along
        passing = self._turns.passing
        self._follower.hold(None if passing is None else passing.sight.free, look_anew=state == "relit")
        if state == "turning" and not was:
            self._began = Instant.among(
                self._known.times, self._turns.frames_back, 0.25, self._turns.frames_unsure
            )
            self._forget()
            self._rested = None
        if state == "rested":
            rests = self._follower.at_rest(frame.index, image, tracked)
            pose = self._follower.pose
            if pose is not None and pose.size != tracked.pose.size:
                # what was followed was no such cube, so what looked like its turn was none
                self._turns = TurnWatch(pose.size)
                self._renamed()
            elif rests:
                self._rested = Instant.among(self._known.times, 2, 0.75)
            else:
                self._turns.go_on()
        self._follower.fluid = self._turns.turning
        return self._turns.turning

    # stickers

    def _read(self, pose: CubePose, frame: StreamFrame, image: Image) -> None:
        doubtful = self._known.outcome is not None and self._known.outcome.doubtful
        turned = self._known.outcome is not None and self._known.outcome.front_side != self.front_wanted
        rests = self._was_settled and not doubtful and not turned and self.timer.phase != "running"
        every = SETTLED_READ_EVERY if rests else 1
        if frame.index - self._known.last_read < every or self._reasoner.busy:
            return
        self._known.last_read = frame.index
        outcome = self._known.outcome
        top = outcome.verdict.posterior.top if outcome is not None and outcome.verdict is not None else None
        if top is not None:
            self._front = front_face(pose, top, self.front_wanted, self._front)
        else:
            self._front = front_face(pose, 0, self.front_wanted)
        samples = sample_stickers(image, pose)
        cover = self._follower.cover
        if cover is not None and cover.shape == samples.coverage.shape:
            samples = replace(samples, coverage=samples.coverage * cover)
        self._reasoner.offer(
            Job(
                frame.index,
                self._epoch,
                frame.time_s,
                image,
                pose,
                samples,
                view_weight(pose),
                self._front,
                self.front_wanted,
                self.mirrored,
            )
        )

    def _take_outcome(self) -> bool:
        """Take in a reading that is ready; True when the source was found out to be mirrored."""
        outcome = self._reasoner.collect()
        if outcome is None or outcome.epoch != self._epoch:
            return False
        if self._known.take(outcome):
            self.turn_over()
            return True
        return False

    def _shows_one_colour(self, state: SettledState | None) -> bool:
        """Whether the top face has come to the last layer's one colour: that of the attempt under way."""
        begun = self.timer.settled
        wanted = begun.top_colour if isinstance(begun, SettledState) else None
        solved = state is not None and state.code == SOLVED
        return solved or self._known.shows_one_colour(wanted)

    def _report(self, frame: StreamFrame, image: Image, pose: CubePose | None, turning: bool) -> FrameReport:
        outcome = self._known.outcome
        verdict = outcome.verdict if outcome is not None else None
        settled = verdict is not None and verdict.settled and pose is not None and not turning
        mirrored_now = outcome is not None and outcome.mirrored_probability > 0.5
        open_sizes = self._follower.open_sizes if pose is not None and not self._was_settled else ()
        settled = settled and not mirrored_now and not open_sizes
        state = None
        if settled and verdict is not None and outcome is not None and verdict.case is not None:
            colour = verdict.posterior.face_colours[verdict.posterior.top]
            state = SettledState(verdict.case, self._labels, outcome.top_look, colour)
        one_colour = self._shows_one_colour(state)
        ended = self.timer.see(
            Seen(
                frame.time_s,
                pose is not None,
                turning,
                self._began if turning else None,
                state,
                self._known.settled_at,
                self._rested,
                one_colour,
            )
        )
        if settled:
            self._told = verdict
        under_way = self.timer.phase == "running" and not settled
        newly = settled and not self._was_settled
        self._was_settled = settled
        return FrameReport(
            number=frame.index,
            time_s=frame.time_s,
            image_bgr=image,
            source_wh=(frame.image_bgr.shape[1], frame.image_bgr.shape[0]),
            mirrored=self.mirrored,
            pose=pose,
            verdict=None if turning else verdict,
            settled=settled,
            turning=turning,
            top=verdict.posterior.top if verdict is not None else None,
            front=outcome.front if outcome is not None else self._front,
            front_side=outcome.front_side if outcome is not None else self.front_wanted,
            next_view=outcome.next_view if outcome is not None and not settled else None,
            phase=self.timer.phase,
            running_s=self.timer.running_s(frame.time_s),
            ended=ended,
            newly_settled=newly,
            arrived_s=frame.arrived_s,
            naming=self._naming,
            begun=self._told if under_way else None,
            open_sizes=open_sizes,
        )
