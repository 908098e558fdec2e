"""Pictures and recordings whose pixels are not square, against what is known of them when they are."""

from __future__ import annotations

import json
import struct
from pathlib import Path

import cv2
import numpy as np
import pytest

from vision.frame_shape import SIGHTINGS, FrameShape
from vision.locate import find_cubes
from vision.pipeline import read_whole
from vision.pixel_shape import drawn_out, told_across
from vision.readers import open_reader
from vision.recording_frames import frame_at
from vision.sources import load_photo
from vision.squeezed import SHAPES, squared, unsqueezed
from vision.stream_source import Source
from vision.truth import truth_of

SAMPLES = Path(__file__).parents[1] / "sample_images"
CUBES = ["01-large-on-desk", "02-no-stickers", "04-size-3", "06-size-5-in-hand", "10-two-hands"]


def squeezed(image_bgr: np.ndarray, across: float) -> np.ndarray:
    """The picture with pixels ``across`` times finer across than down, by leaving some out."""
    high, wide = image_bgr.shape[:2]
    wide_high = round(wide * min(1.0, across)), round(high * min(1.0, 1 / across))
    return cv2.resize(image_bgr, wide_high, interpolation=cv2.INTER_AREA)


@pytest.mark.parametrize("across", SHAPES)
@pytest.mark.parametrize("name", CUBES)
def test_a_squeezed_picture_is_read_as_what_it_shows(name: str, across: float) -> None:
    """Source: the samples' truth, case and corners of the top face (sample_images/SOURCES.md)."""
    truth, told = truth_of(SAMPLES / f"{name}.jpg"), json.loads((SAMPLES / f"{name}.json").read_text())
    whole = load_photo(str(SAMPLES / f"{name}.jpg")).image_bgr
    image = squeezed(whole, across)
    read = read_whole(image)
    assert read.answer.case is not None and read.answer.case.code == truth.code
    assert any("squeezed" in note for note in read.answer.notes)
    assert read.answer.top is not None
    scale = np.array(image.shape[1::-1]) / whole.shape[1::-1]
    corners_xy = np.array(told["top_quad"]) * scale
    gaps = np.linalg.norm(corners_xy[:, None] - np.array(read.answer.top.quad_xy), axis=2).min(axis=1)
    cell_px = np.linalg.norm(corners_xy[0] - corners_xy[1]) / told["n"]
    assert gaps.max() < 0.35 * cell_px


@pytest.mark.parametrize("path", sorted(SAMPLES.glob("*.jpg")), ids=lambda path: path.stem)
def test_a_picture_with_square_pixels_is_left_as_it_is(path: Path) -> None:
    image = load_photo(str(path)).image_bgr
    found = find_cubes(image)
    assert unsqueezed(image, found) is found


@pytest.mark.parametrize("across", [*SHAPES, 1.0, 0.6])
def test_a_cube_found_in_a_picture_drawn_out_lies_there_in_the_picture_itself(
    across: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("vision.locate.OPEN_SHARE", 0.0)
    image = squeezed(load_photo(str(SAMPLES / "01-large-on-desk.jpg")).image_bgr, across)
    picture = squared(image, across)
    cube = find_cubes(picture.image_bgr).cubes[0]
    back = picture.back(cube)
    quad_xy = cube.pose.face_quad_xy("U")
    assert back.pose.face_quad_xy("U") * picture.factor_xy == pytest.approx(quad_xy, abs=1e-6)
    assert picture.place(*back.pose.middle_xy, back.edge_px) == pytest.approx(
        (*cube.pose.middle_xy, cube.edge_px)
    )
    assert len(back.otherwise) == len(cube.otherwise) > 0
    for other, other_back in zip(cube.otherwise, back.otherwise, strict=True):
        assert other_back.pose.middle_xy * np.array(picture.factor_xy) == pytest.approx(other.pose.middle_xy)
    inside = quad_xy.mean(axis=0) + 0.3 * (quad_xy - quad_xy.mean(axis=0))
    assert back.surface.at(inside / picture.factor_xy) == pytest.approx(cube.surface.at(inside), abs=1e-4)


def with_pixels(recording: bytes, wide: int, high: int) -> bytes:
    """An MP4 file whose pixels are told to be so wide for their height.

    Source: ISO/IEC 14496-12, boxes within boxes (8.1 to 8.5) and PixelAspectRatioBox; from memory.
    """
    out, start, outer = bytearray(recording), 0, []
    for name in (b"moov", b"trak", b"mdia", b"minf", b"stbl", b"stsd"):
        while out[start + 4 : start + 8] != name:
            start += struct.unpack_from(">I", out, start)[0]
        outer.append(start)
        start += 8
    outer.append(start + 8)  # the first entry, behind version and count
    end = outer[-1] + struct.unpack_from(">I", out, outer[-1])[0]
    for at in outer:
        struct.pack_into(">I", out, at, struct.unpack_from(">I", out, at)[0] + 16)
    out[end:end] = struct.pack(">I4sII", 16, b"pasp", wide, high)
    return bytes(out)


@pytest.mark.parametrize(
    ("wide", "high", "shape"), [(4, 3, (96, 192)), (3, 4, (128, 144)), (1, 1, (96, 144))]
)
def test_a_recording_is_shown_in_the_shape_that_its_file_tells(
    tmp_path: Path, wide: int, high: int, shape: tuple[int, int]
) -> None:
    path = tmp_path / "squeezed.mp4"
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"mp4v"), 10, (144, 96))
    for level in range(5):
        writer.write(np.full((96, 144, 3), (40, 120, 40 + 40 * level), np.uint8))
    writer.release()
    path.write_bytes(with_pixels(path.read_bytes(), wide, high))
    reader = open_reader(Source("recording", str(path), path.name))
    taken = reader.read()
    reader.close()
    assert taken is not None and taken[0].shape[:2] == shape
    frame = frame_at(path, 0.2)
    assert frame is not None and frame.shape[:2] == shape


class Told:
    """Stands in for ``cv2.VideoCapture``: only what it tells of the shape of pixels."""

    def __init__(self, wide: float, high: float, turned: float = 0.0) -> None:
        self._told = {
            cv2.CAP_PROP_SAR_NUM: wide,
            cv2.CAP_PROP_SAR_DEN: high,
            cv2.CAP_PROP_ORIENTATION_AUTO: 1.0,
            cv2.CAP_PROP_ORIENTATION_META: turned,
        }

    def get(self, prop: int) -> float:
        return self._told[prop]


def test_what_a_file_tells_amiss_of_its_pixels_counts_for_nothing() -> None:
    for wide, high in ((0, 1), (0, 0), (-1, -1), (1, 0), (100, 1), (1, 4)):
        assert told_across(Told(wide, high)) == 1.0
    assert told_across(Told(16, 15)) == pytest.approx(15 / 16)
    assert told_across(Told(16, 15, 90.0)) == pytest.approx(16 / 15)  # lies on its side as it is stored


@pytest.mark.parametrize("across", [0.75, 1.0, 4 / 3])
def test_drawing_out_takes_no_pixel_away(across: float) -> None:
    image = np.arange(60 * 80 * 3, dtype=np.uint32).reshape(60, 80, 3).astype(np.uint8)
    high, wide = drawn_out(image, across).shape[:2]
    assert high >= 60 and wide >= 80
    assert wide / 80 * across == pytest.approx(high / 60, rel=0.01)


@pytest.mark.parametrize("across", SHAPES)
def test_a_source_is_drawn_out_when_sightings_agree_and_back_again(across: float) -> None:
    whole = load_photo(str(SAMPLES / "01-large-on-desk.jpg")).image_bgr
    shape, narrow = FrameShape(find_cubes), squeezed(whole, across)
    for _ in range(SIGHTINGS):
        assert not shape.changes() and shape.shown(narrow) is narrow
        shape.find(shape.shown(narrow))
    assert shape.changes() and not shape.changes()
    high, wide = shape.shown(narrow).shape[:2]
    assert wide / high == pytest.approx(whole.shape[1] / whole.shape[0], rel=0.01)
    for _ in range(SIGHTINGS):  # the picture as it is now shows a cube as cubes look
        shape.find(shape.shown(narrow))
        assert not shape.changes()
    for _ in range(SIGHTINGS):  # the source gives square pixels from now on
        shape.find(shape.shown(whole))
    assert shape.changes() and shape.shown(whole) is whole


def test_sightings_that_do_not_agree_change_nothing() -> None:
    whole = load_photo(str(SAMPLES / "01-large-on-desk.jpg")).image_bgr
    shape = FrameShape(find_cubes)
    for k in range(3 * SIGHTINGS):
        shape.find(whole if k % SIGHTINGS == 0 else squeezed(whole, 0.75))
        assert not shape.changes()
