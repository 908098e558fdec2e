"""Calibrating by truth files: the labels are those of the file, however the cube is held."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.labelling import COVERED
from calibration.profile import COLOURS, default_profile
from models.cube import rotation_permutations
from models.errors import LastlookError
from vision.calibrate import profile_from_photos, shots_of
from vision.one_cube import Read
from vision.pipeline import read_whole
from vision.sources import load_photo
from vision.told import _way_by_quad, told_labels
from vision.truth import truth_of

SAMPLES = Path(__file__).parent.parent / "sample_images"
EASY = SAMPLES / "01-large-on-desk.jpg"
OWN = ("black", "yellow", "red", "orange", "blue", "mint")


def settled_samples() -> list[Path]:
    """Sample pictures with a case, the first few by name."""
    truths = ((path, json.loads(path.with_suffix(".json").read_text())) for path in SAMPLES.glob("*.jpg"))
    return sorted(path for path, truth in truths if not truth.get("negative"))[:5]


def turned(facelets: dict, quarters: int) -> dict:
    """The facelets with another side called F: U turned, the top rows handed round."""
    around = "BRFL"
    out = {side: [facelets[around[(i + quarters) % 4]][0]] for i, side in enumerate(around)}
    return {"U": np.rot90(np.array(facelets["U"]), quarters).tolist(), **out}


def beside(folder: Path, picture: Path, truth: dict) -> Path:
    copy = folder / picture.name
    copy.write_bytes(picture.read_bytes())
    copy.with_suffix(".json").write_text(json.dumps(truth))
    return copy


@pytest.mark.parametrize("picture", settled_samples(), ids=lambda path: path.stem)
def test_told_labels_lie_where_the_stickers_were_read(tmp_path: Path, picture: Path) -> None:
    """What the decoder is sure of without the file is right there (another test): both must name it alike."""
    whole = read_whole(load_photo(str(picture)).image_bgr)
    assert whole.samples is not None and whole.reading is not None
    marginals = whole.reading.posterior.marginals
    sure = (whole.samples.coverage > COVERED) & (marginals.max(axis=-1) > 0.99)
    assert sure.sum() > 2 * whole.samples.size
    truth = json.loads(picture.with_suffix(".json").read_text())
    plain = {key: value for key, value in truth.items() if key != "top_quad"}
    truths = [truth, plain]
    truths += [{**plain, "facelets": turned(truth["facelets"], k), "scheme": None} for k in (1, 2, 3)]
    for one in truths:
        labels = told_labels(beside(tmp_path, picture, one), whole, COLOURS)
        assert labels is not None
        assert (labels[sure] == marginals.argmax(axis=-1)[sure]).all()


def test_the_truths_top_may_be_any_face_that_is_seen() -> None:
    """A solved cube shows three tops: the sticker that lies where the truth has one is that one."""
    answer, truth = read_whole(load_photo(str(EASY)).image_bgr).answer, truth_of(EASY)
    n = truth.size
    assert n is not None
    ways = rotation_permutations(n)
    for face, grid in answer.grids.items():
        nodes = np.asarray(grid)
        middles = (nodes[1:, 1:] + nodes[:-1, :-1] + nodes[1:, :-1] + nodes[:-1, 1:]).reshape(-1, 2) / 4
        for turn in range(4):
            quad = np.roll(nodes[[0, 0, -1, -1], [0, -1, -1, 0]], -turn, axis=0).astype(np.float32)
            held = replace(truth, top_quad_xy=tuple((float(x), float(y)) for x, y in quad))
            way = _way_by_quad(answer, held, ways)
            assert way is not None
            square = np.array([(0, 0), (n, 0), (n, n), (0, n)], np.float32)
            to_picture = cv2.getPerspectiveTransform(square, quad)
            for row, column in np.ndindex(n, n):
                x, y, w = to_picture @ (column + 0.5, row + 0.5, 1.0)
                nearest = int(np.hypot(*(middles - (x / w, y / w)).T).argmin())
                assert way["URFDLB".index(face) * n * n + nearest] == row * n + column


def test_colours_that_the_built_in_profile_does_not_know_are_learned_from_truth(tmp_path: Path) -> None:
    """Red and blue light exchanged: white and green stay, the other four become colours of no usual cube."""
    usual = json.loads(EASY.with_suffix(".json").read_text())
    called = dict(zip(COLOURS, OWN, strict=True))
    facelets = {f: [[called[c] for c in row] for row in rows] for f, rows in usual["facelets"].items()}
    truth = {"n": usual["n"], "facelets": facelets, "top_quad": usual["top_quad"]}
    picture = beside(tmp_path, EASY, {**truth, "scheme": {f: called[c] for f, c in usual["scheme"].items()}})
    photo = load_photo(str(EASY)).image_bgr
    picture = picture.with_suffix(".png")
    assert cv2.imwrite(str(picture), photo[:, :, ::-1])
    made = profile_from_photos("desk", [str(picture)], colours=OWN)
    (kept,) = made.kept
    assert kept.shot.told is not None
    covered = kept.shot.samples.coverage > COVERED
    assert (kept.labels[covered] == kept.shot.told[covered]).all()
    shown = [usual["facelets"]["U"][r][c] for r, c in zip(*np.nonzero(covered[0]), strict=True)]
    if covered[0].all():
        named = [made.profile.colours[k] for k in kept.labels[0].ravel()]
        assert sorted(named) == sorted(called[name] for name in shown)
    # what is called red is red in the built-in profile, and blue in this one
    seen = [one.linear_rgb for one in made.profile.samples if OWN[one.colour] == "red"]
    built_in = default_profile().model.mean[COLOURS.index("red")]
    assert len(seen) > usual["n"] and all(blue > red for red, _, blue in seen) and built_in[0] > built_in[2]


@pytest.mark.parametrize("is_told", [True, False])
def test_a_nearer_box_does_not_stand_in_for_the_cube(tmp_path: Path, is_told: bool) -> None:
    """Two pictures of one cube; in the second something that passes for a cube of two layers is nearer."""
    one, other = [beside(tmp_path, SAMPLES / f"{n}.jpg", {}) for n in ("01-large-on-desk", "08-far-away")]
    for picture in (one, other):
        picture.with_suffix(".json").unlink()
    if is_told:
        other.with_suffix(".json").write_text((SAMPLES / "08-far-away.json").read_text())

    def read(image_bgr: np.ndarray, image: str, **options: object) -> Read:
        whole = read_whole(image_bgr, image=image, **options)
        if image != str(other) or options:
            return whole
        assert whole.cube is not None
        box = replace(whole.cube, pose=replace(whole.cube.pose, size=2))
        found = replace(whole.found, cubes=(box, *whole.found.cubes))
        return replace(read_whole(image_bgr, find=lambda image, size=None: found), cube=box, found=found)

    shots, left_out = shots_of([str(one), str(other)], read=read)
    assert left_out == [] and [shot.samples.size for shot in shots] == [4, 4]


def test_what_is_no_truth_of_this_picture(tmp_path: Path) -> None:
    whole = read_whole(load_photo(str(EASY)).image_bgr)
    usual = json.loads(EASY.with_suffix(".json").read_text())
    for other in ({**usual, "guess": True}, {"camera": "phone"}, [1]):
        assert told_labels(beside(tmp_path, EASY, other), whole, COLOURS) is None  # type: ignore[arg-type]
    (tmp_path / EASY.name).with_suffix(".json").unlink()
    assert told_labels(tmp_path / EASY.name, whole, COLOURS) is None
    wrong = {
        "no case": {"negative": "occluded_top"},
        "3 layers": json.loads((SAMPLES / "04-size-3.json").read_text()),
        "--profile": {**usual, "facelets": {**usual["facelets"], "F": [["teal"] * usual["n"]]}},
    }
    for words, truth in wrong.items():
        with pytest.raises(LastlookError, match=words):
            told_labels(beside(tmp_path, EASY, truth), whole, COLOURS)
    cut = beside(tmp_path, EASY, usual).with_suffix(".json")
    cut.write_text(cut.read_text()[:-20])
    shots, left_out = shots_of([str(tmp_path / EASY.name)])
    assert shots == [] and f"{cut.name}: not a truth file" in left_out[0][1]
    grey = Read(whole.answer, whole.found, whole.cube, whole.samples, None)
    assert told_labels(beside(tmp_path, EASY, usual), grey, COLOURS) is None
    shots, left_out = shots_of([str(beside(tmp_path, EASY, wrong["no case"]))])
    assert shots == [] and "no case" in left_out[0][1]
