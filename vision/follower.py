"""Where the cube is, from frame to frame: find it, track it, find it again, hold the two together.

The labelling of the faces is carried along: a cube that was out of sight for a moment comes back under the
names that it had, as long as it can hardly have turned away meanwhile.
"""

from __future__ import annotations

import math
from collections import deque
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from vision.each_size import open_sizes
from vision.holding import free_share, nearest_labelling
from vision.locate import find_near
from vision.passing import FREE, Glance
from vision.pose import VERTICES, CubePose
from vision.seeker import Find, Seeker, Sighting
from vision.track import Tracked, Tracker

Image = NDArray[np.uint8]
Change = Literal["", "found", "mended", "other"]

LEAST_PROBABILITY: Final = 0.45
CARRY_FRAMES: Final = 20
CARRY_RAD: Final = float(np.radians(40))
BETTER_BY: Final = 0.05
SAME_CELLS: Final = 0.2
CATCH_UP: Final = 4
MOST_UNSEEN: Final = 8
RECENT_FRAMES: Final = 16
WELL_SEEN: Final = 0.35
NEAR_EDGES: Final = 0.7
STRAYED_EDGES: Final = 1.5
"""So far off a track may end that followed the turning layer."""


class Follower:
    """Follows one cube through a stream.

    ``change`` tells what the last :meth:`step`, or :meth:`at_rest` after it, did to the track: "" went on,
    "found" taken up again under the old names, "mended" put right by a sighting, "other" begun anew under
    names of its own. ``cover`` (6, n, n): the share of each sticker that is free of hands, ``open_sizes``
    the numbers of layers that the cube may have where that is open, the likeliest first: both as last seen
    by the finder.
    """

    def __init__(self, find: Find, *, size: int | None, live: bool) -> None:
        self.change: Change = ""
        self.cover: NDArray[np.float32] | None = None
        self.open_sizes: tuple[int, ...] = ()
        self.fluid = False
        self._size = size
        self._live = live
        self._seeker = Seeker(find, background=live)
        self._tracker: Tracker | None = None
        self._recent: deque[tuple[int, Image]] = deque(maxlen=RECENT_FRAMES)
        self._poses: deque[tuple[int, CubePose]] = deque(maxlen=RECENT_FRAMES)
        self._checked: frozenset[str] = frozenset()
        self._unseen = 0

    @property
    def pose(self) -> CubePose | None:
        """The pose in the last frame, None when there is no track."""
        return self._tracker.pose if self._tracker is not None else None

    @property
    def new_face_in_view(self) -> bool:
        """Whether a face has come into view, or out of a grazing view, since the finder last looked."""
        return self.pose is not None and not _views(self.pose) <= self._checked

    def close(self) -> None:
        """End the finder's thread."""
        self._seeker.close()

    def lose(self) -> None:
        """Forget the track and all that was known of it."""
        self._tracker, self.cover, self.fluid, self._unseen = None, None, False, 0
        self.open_sizes = ()
        self._poses.clear()
        self._recent.clear()

    def ask(self, number: int, image: Image) -> None:
        """Have the finder look at this frame, to check the track and to see what hands cover."""
        if self.pose is not None and self._seeker.ask(number, image, self._size):
            self._checked = _views(self.pose)

    def step(self, number: int, image: Image) -> Tracked | None:
        """The cube in the next frame, None where it is not tracked."""
        self.change = ""
        self._recent.append((number, image))
        if self._tracker is not None:
            self._tracker.fluid = self.fluid
        tracked = self._tracker.follow(image) if self._tracker is not None else None
        if tracked is None:
            if not self._live:
                self._tracker = None
            self._seeker.ask(number, image, self._size)
        sighting = self._seeker.collect()
        if sighting is not None:
            if tracked is not None and self.held:
                pass  # what the finder makes of half a cube may be another one: see glance
            elif tracked is not None:
                tracked = self._checked_by(sighting, tracked, image)
            elif sighting.cubes and sighting.cubes[0].probability >= LEAST_PROBABILITY:
                tracked = self._begin(sighting, image)
        if tracked is not None:
            self._poses.append((number, tracked.pose))
        return tracked

    def layer_stands(self, axis: int, layer: int) -> bool:
        """As :meth:`vision.track.Tracker.layer_stands`; False where there is no track."""
        return self._tracker is not None and self._tracker.layer_stands(axis, layer)

    def glance(self, image: Image) -> Glance | None:
        """What the finder sees of the tracked cube in the last frame. None where there is no track.

        While something passes the track is put where the finder has the cube, if the cube's looks fit better
        there than where they were lost.
        """
        if self._tracker is None:
            return None
        pose = self._tracker.pose
        found = find_near(image, *pose.middle_xy, pose.edge_px, pose.size)
        named, angle = nearest_labelling(found.pose, pose)
        sure = found.probability >= LEAST_PROBABILITY
        again: Tracked | None = None
        if self.held and sure and angle < CARRY_RAD and _near(pose, named):
            again = self._tracker.laid_from(named, free_share(image, named, found) > FREE)
            pose = self._tracker.pose
        return Glance(free_share(image, pose, found), _off_cells(named, pose) if sure else 0.0, again)

    def hold(self, free: NDArray[np.bool_] | None, *, look_anew: bool = False) -> None:
        """As :meth:`vision.track.Tracker.hold`; None when nothing passes any more. ``look_anew``: the cube's
        looks are taken from the last frame."""
        if self._tracker is None:
            return
        if free is not None:
            self._tracker.hold(free)
            return
        self._tracker.free = None
        if look_anew:
            self._tracker.renew()

    def seams_straight(self) -> bool:
        """As :meth:`vision.track.Tracker.seams_straight`; False where there is no track."""
        return self._tracker is not None and self._tracker.seams_straight()

    @property
    def in_sight(self) -> bool:
        """As :attr:`vision.track.Tracker.in_sight`; False where there is no track."""
        return self._tracker is not None and self._tracker.in_sight

    @property
    def held(self) -> bool:
        """Whether something passes before the cube."""
        return self._tracker is not None and self._tracker.free is not None

    def at_rest(self, number: int, image: Image, tracked: Tracked) -> bool:
        """After a turn: take the cube's looks anew; whether all its layers stand straight."""
        if self._tracker is None:
            return False
        self._tracker.fluid = self.fluid = False
        self._tracker.renew()
        if self._tracker.seams_straight():
            return True
        self._seeker.ask(number, image, self._size)
        sighting = self._seeker.collect() if not self._live else None
        if sighting is not None:
            self._compared(sighting, tracked, image, reach_edges=STRAYED_EDGES)
        return self._tracker.seams_straight()

    def _begin(self, sighting: Sighting, image: Image) -> Tracked | None:
        """Track from a sighting on, through the frames that came in while it was searched for."""
        pose = sighting.cubes[0].pose
        change: Change = "other"
        if self._poses:
            number, last = self._poses[-1]
            named, angle = nearest_labelling(pose, last)
            if last.size == pose.size and sighting.number - number <= CARRY_FRAMES and angle < CARRY_RAD:
                pose, change = named, "found"
        tracker = Tracker(sighting.image_bgr, pose)
        tracked = self._caught_up(tracker, sighting, image)
        if tracked is None:
            return None
        self._tracker, self.change, self.fluid, self._unseen = tracker, change, False, 0
        self._poses.append((sighting.number, pose))
        self.cover, self._checked = None, _views(pose)
        self.open_sizes = open_sizes(sighting.cubes[0])
        self._note_cover(sighting)
        return tracked

    def _caught_up(self, tracker: Tracker, sighting: Sighting, image: Image) -> Tracked | None:
        """Through the frames that came in during the search, a few of them, up to the newest one."""
        later = [one for number, one in self._recent if number > sighting.number] or [image]
        stride = max(1, round(len(later) / CATCH_UP))
        tracked: Tracked | None = None
        for one in later[:-1][stride - 1 :: stride] + later[-1:]:
            tracked = tracker.follow(one)
            if tracked is None:
                return None
        return tracked

    def _checked_by(self, sighting: Sighting, tracked: Tracked, image: Image) -> Tracked | None:
        """A track that the finder does not see again and again is none."""
        pose = next((pose for number, pose in self._poses if number == sighting.number), tracked.pose)
        # while a layer turns the track may go with it; which of the two lies on the seams is asked below
        reach_edges = STRAYED_EDGES if self.fluid else NEAR_EDGES
        cube = next((cube for cube in sighting.cubes if _near(pose, cube.pose, reach_edges)), None)
        if cube is None:
            self._unseen += 1
            if self._unseen >= MOST_UNSEEN:
                self.lose()
                return None
            return tracked
        self._unseen = 0
        self.open_sizes = open_sizes(cube)
        self._note_cover(sighting)
        return self._compared(sighting, tracked, image, reach_edges)

    def _compared(
        self, sighting: Sighting, tracked: Tracked, image: Image, reach_edges: float = NEAR_EDGES
    ) -> Tracked:
        """Hold the track against a fresh sighting; the pose that lies better on the seams is kept."""
        pose = next((pose for number, pose in self._poses if number == sighting.number), tracked.pose)
        found = next((cube.pose for cube in sighting.cubes if _near(pose, cube.pose, reach_edges)), None)
        if found is None or self._tracker is None:
            return tracked
        named, angle = nearest_labelling(found, pose)
        if found.size == pose.size and _off_cells(named, pose) < SAME_CELLS:
            return tracked
        tracker = Tracker(sighting.image_bgr, named)
        again = self._caught_up(tracker, sighting, image)
        if again is None or tracker.seam_score() < self._tracker.seam_score() + BETTER_BY:
            return tracked
        self._tracker, self.cover = tracker, None
        self.change = "other" if found.size != pose.size or angle > CARRY_RAD else "mended"
        return again

    def _note_cover(self, sighting: Sighting) -> None:
        """Keep how much of each sticker a hand leaves free, as the finder sees it in its frame."""
        pose = next((pose for number, pose in self._poses if number == sighting.number), None)
        cube = next((cube for cube in sighting.cubes if pose is not None and _near(pose, cube.pose)), None)
        if pose is None or cube is None:
            return
        cover = free_share(sighting.image_bgr, pose, cube)
        if self.cover is None or self.cover.shape != cover.shape:
            self.cover = np.ones_like(cover)
        self.cover = np.where(np.isfinite(cover), cover, self.cover)


def _views(pose: CubePose) -> frozenset[str]:
    """The faces in view, those seen well also in small letters: nothing holds a grazing one."""
    return frozenset(pose.visible_faces(0.12)) | {face.lower() for face in pose.visible_faces(WELL_SEEN)}


def _off_cells(one: CubePose, pose: CubePose) -> float:
    """How far corners of two poses in one labelling lie apart in the picture at most, in stickers."""
    return float(np.abs(one.project(VERTICES) - pose.project(VERTICES)).max() / pose.edge_px * pose.size)


def _near(one: CubePose, other: CubePose, reach_edges: float = NEAR_EDGES) -> bool:
    """Whether two poses can be of one cube: their centres lie within so many edges in the picture."""
    return math.dist(one.middle_xy, other.middle_xy) <= reach_edges * one.edge_px
