"""The commands round profiles, faces pointed out by hand, and the sitting before a camera."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
import tempfile
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sticker_maker import albedo, make_samples

import vision.calibrate
from calibration.classes import closest_pair
from calibration.collect import collect
from calibration.colour import linear_to_srgb
from calibration.compare import OURS, candidates
from calibration.labelling import Shot
from calibration.profile import COLOURS, SCHEME, ColourSample, default_profile, load_profile
from calibration.samples import CLIPPED_FROM
from models.errors import LastlookError, UsageError
from vision.calibrate import profile_from_photos, shots_of
from vision.calibrate_window import Picking, zoom_of
from vision.calibrate_window import compose as compose_picking
from vision.cli import run
from vision.colour_words import colour_names, scheme_named
from vision.lettering import BOLD, Lettering
from vision.one_cube import Read
from vision.panel import INK, PAPER, RULE, STICKER_RGB
from vision.picked_faces import PickedFace, parse_face, profile_from_faces, sample_face
from vision.pipeline import read_whole
from vision.profile_picture import WIDTH, profile_image, profile_text
from vision.profiles import load_named, profile_names, profile_path

SAMPLES = Path(__file__).parent.parent / "sample_images"


@pytest.fixture(autouse=True)
def own_profiles(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("LASTLOOK_PROFILES", str(tmp_path / "profiles"))
    return tmp_path / "profiles"


def a_face(colour: str, at: tuple[int, int], canvas: np.ndarray) -> PickedFace:
    """Draw a 4x4 face of one usual colour with black seams and a corner piece of another."""
    x, y = at
    rgb = linear_to_srgb(albedo("usual") * 0.7)
    for row in range(4):
        for col in range(4):
            k = COLOURS.index(colour) if (row, col) != (0, 0) else (COLOURS.index(colour) + 2) % 6
            bgr = tuple(int(v) for v in np.round(rgb[k][::-1] * 255))
            cv2.rectangle(
                canvas, (x + col * 30 + 3, y + row * 30 + 3), (x + col * 30 + 26, y + row * 30 + 26), bgr, -1
            )
    corners = np.array([[x, y], [x + 120, y], [x + 120, y + 120], [x, y + 120]], float)
    return PickedFace(colour, corners)


def test_faces_pointed_out_by_hand_become_a_profile(tmp_path: Path) -> None:
    canvas = np.zeros((320, 460, 3), np.uint8)
    places = [(10 + 150 * (i % 3), 20 + 150 * (i // 3)) for i in range(6)]
    faces = [a_face(colour, at, canvas) for colour, at in zip(COLOURS, places, strict=True)]
    cv2.imwrite(str(tmp_path / "x.png"), canvas)
    made = profile_from_faces("mine", str(tmp_path / "x.png"), faces, 4)
    assert len(made.profile.samples) == 6 * 15  # the odd sticker of each face is left out, and told of
    (told,) = made.warnings
    assert "unlike the rest" in told and told.endswith(", ".join(f"{colour} 1 of 16" for colour in COLOURS))
    for sample in made.profile.samples:
        assert np.allclose(sample.linear_rgb, albedo("usual")[sample.colour] * 0.7, atol=0.01)
    part = profile_from_faces("mine", str(tmp_path / "x.png"), faces[:2], 4)
    assert "never seen: red" in part.warnings[1]
    x, y = places[2]
    for col in (2, 3):  # two red ones under a lamp's reflection
        cv2.rectangle(canvas, (x + col * 30 + 3, y + 93), (x + col * 30 + 26, y + 116), (255,) * 3, -1)
    x, y = places[1]  # all of yellow burnt out
    cv2.rectangle(canvas, (x, y), (x + 120, y + 120), (90, 255, 255), -1)
    cv2.imwrite(str(tmp_path / "y.png"), canvas)
    glare = profile_from_faces("mine", str(tmp_path / "y.png"), faces[1:3], 4)
    assert len(glare.profile.samples) == 16 - 3
    assert glare.warnings[0].endswith("red 3 of 16") and "unlike the rest" in glare.warnings[0]
    assert glare.warnings[1].endswith("yellow 16 of 16") and "burnt out" in glare.warnings[1]
    for wrong in ([], [faces[0], faces[0]], [PickedFace("mauve", faces[0].corners_xy)]):
        with pytest.raises(UsageError):
            profile_from_faces("mine", str(tmp_path / "x.png"), wrong, 4)
    for value in (250, 252, 253, 255):  # one rule of what is clipped, for faces pointed out and found
        white = np.full((320, 460, 3), value, np.uint8)
        assert (sample_face(white, faces[0].corners_xy, 4)[2] == (value >= CLIPPED_FROM)).all()
    with pytest.raises(UsageError, match="round"):
        sample_face(canvas, faces[0].corners_xy[[0, 2, 1, 3]], 4)
    height, width = canvas.shape[:2]
    round_it = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float64)
    assert sample_face(canvas, round_it, 4)[0].shape == (4, 4, 3)
    for number, axis, far in ((0, 0, -99), (1, 0, 1e40), (2, 1, np.inf), (3, 1, np.nan), (1, 0, width + 50)):
        outside = round_it.copy()
        outside[number, axis] = far
        with pytest.raises(UsageError, match="outside the picture"):
            sample_face(canvas, outside, 4)


def test_what_is_typed_is_read_or_refused() -> None:
    face = parse_face(" light blue  1,2 3.5,4 5,6 -7,8 ")
    assert face.colour == "light blue" and face.corners_xy.tolist() == [[1, 2], [3.5, 4], [5, 6], [-7, 8]]
    for text in ("", "white", "white 1,2 3,4 5,6", "white 1,2 3,4 5,6 7", "1,2 3,4 5,6 7,8"):
        with pytest.raises(UsageError):
            parse_face(text)
    assert colour_names("white = black, green=mint") == ("black", "yellow", "red", "orange", "blue", "mint")
    assert colour_names(None) is None
    for text in ("mauve=x", "white=", "white", "white=red", "white=a\nb", "white=a\x1b[2Jb"):
        with pytest.raises(UsageError):
            colour_names(text)
    usual = " ".join(COLOURS[k] for k in SCHEME)
    assert scheme_named(usual, None) == SCHEME and scheme_named(None, None) is None
    with pytest.raises(UsageError):
        scheme_named("white white red green blue orange", None)


def test_clicks_and_keys_point_out_faces() -> None:
    picking = Picking(COLOURS)
    assert not picking.key(13) and "face first" in picking.message
    for xy in ((0, 0), (9, 0), (9, 9)):
        picking.click(*xy)
    picking.key(ord("1"))
    assert "four corners" in picking.message and not picking.faces
    picking.click(0, 9)
    picking.key(ord("3"))
    assert [face.colour for face in picking.faces] == ["red"] and picking.corners == []
    for xy in ((0, 0), (9, 0), (9, 9), (0, 9)):
        picking.click(*xy)
    picking.key(ord("3"))
    assert "already" in picking.message and len(picking.faces) == 1
    picking.key(ord("U"))
    assert len(picking.corners) == 3, "Caps Lock changes no key"
    for _ in range(4):
        picking.key(8)
    assert not picking.faces and not picking.key(13)


@pytest.mark.parametrize("wh", [(4032, 3024), (3024, 4032), (640, 480), (480, 640), (90, 120)])
def test_the_window_of_corners_fits_a_screen_and_shows_every_key(wh: tuple[int, int]) -> None:
    """With names as long as they come: each number and name stands apart from the edge."""
    image = np.full((wh[1], wh[0], 3), 99, np.uint8)
    names = [f"{k}mmmmmmmmmmmmmmmmmmmmmmm" for k in range(6)]
    picking = Picking(names, message=f"{names[0]} was pointed out already")
    scale = zoom_of(image)
    window = compose_picking(image, picking, scale)
    assert window.shape[0] <= 960 and window.shape[1] <= 1280
    keys = window[round(wh[1] * scale) :]
    assert (keys[:, -8:] == PAPER[::-1]).all() and (keys[-4:] == PAPER[::-1]).all()
    for k, look in enumerate(STICKER_RGB.values()):
        assert (keys == np.array(look[::-1])).all(axis=2).sum() > 300, (
            f"the swatch of {k + 1} is not all there"
        )


def test_the_name_of_a_face_stands_on_a_plate() -> None:
    """Else it could not be read on stickers as dark as it is."""
    dark = np.full((400, 600, 3), INK[::-1], np.uint8)
    picking = Picking(COLOURS)
    picking.faces.append(PickedFace("yellow", np.array([(100, 50), (400, 50), (400, 350), (100, 350)])))
    face = compose_picking(dark, picking, 1.0)[60:340, 110:390]
    rows, columns = np.nonzero((face == np.array(PAPER[::-1])).all(axis=2))
    assert np.ptp(columns) >= Lettering(18, BOLD).width("yellow") and np.ptp(rows) >= 18


def test_pictures_without_a_cube_are_named(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    given = {}
    whole = read_whole(np.full((64, 64, 3), 99, np.uint8))
    for name, turn in (("a.png", 0), ("b.png", 0), ("empty.png", None)):
        cv2.imwrite(str(tmp_path / name), np.full((64, 64, 3), 99, np.uint8))
        samples = None if turn is None else make_samples(albedo("usual"), "noon", rng, turn=turn)[0]
        given[str(tmp_path / name)] = Read(whole.answer, whole.found, None, samples)
    (tmp_path / "text.jpg").write_text("no picture")
    made = profile_from_photos(
        "mine", [*given, str(tmp_path / "text.jpg")], scheme=SCHEME, read=lambda pixels, image: given[image]
    )
    left = {Path(name).name: reason for name, reason in made.left_out}
    assert set(left) == {"empty.png", "text.jpg"} and "no cube" in left["empty.png"]
    assert [one.shot.name for one in made.kept] == ["a.png", "b.png"]
    with pytest.raises(LastlookError, match=r"text\.jpg"):
        profile_from_photos("mine", [str(tmp_path / "text.jpg")], read=lambda *a, **k: None)


def test_pictures_of_one_name_are_told_apart_and_a_truth_in_other_names_is_told(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    whole = read_whole(np.full((64, 64, 3), 99, np.uint8))
    samples = make_samples(albedo("usual"), "noon", rng)[0]
    paths = [tmp_path / folder / name for folder in "xy" for name in ("a.png", f"{folder}.png")]
    for path in paths:
        path.parent.mkdir(exist_ok=True)
        cv2.imwrite(str(path), np.full((64, 64, 3), 99, np.uint8))
    shutil.copy(SAMPLES / "04-size-3.json", tmp_path / "y" / "y.json")
    shots, left = shots_of(
        [str(path) for path in paths],
        colours=colour_names("white=black") or (),
        read=lambda pixels, image: Read(whole.answer, whole.found, None, samples),
    )
    assert [shot.name for shot in shots] == [str(paths[0]), "x.png", str(paths[2])]
    [(name, reason)] = left
    assert name == str(paths[3]) and reason.startswith("y.json: ") and "--colours" in reason


def test_a_picture_is_found_to_be_the_mirror_image_of_another(tmp_path: Path) -> None:
    """Also where it was saved again as JPEG; two pictures alike, and one that is its own mirror image, are
    none of each other's."""
    rng = np.random.default_rng(1)
    scene = cv2.GaussianBlur(rng.integers(0, 256, (120, 160, 3), np.uint8), (0, 0), 6)
    scene = cv2.normalize(scene, None, 0, 255, cv2.NORM_MINMAX)
    even = np.hstack([scene, scene[:, ::-1]])
    images = {"a.png": scene, "b.jpg": scene[:, ::-1], "c.png": scene, "d.png": even, "e.jpg": even}
    whole = read_whole(np.full((64, 64, 3), 99, np.uint8))
    samples = make_samples(albedo("usual"), "noon", rng)[0]
    for name, image in images.items():
        cv2.imwrite(str(tmp_path / name), np.ascontiguousarray(image))
    shots, left = shots_of(
        [str(tmp_path / name) for name in images],
        read=lambda pixels, image: Read(whole.answer, whole.found, None, samples),
    )
    assert not left
    assert {shot.name: shot.mirror_of for shot in shots} == {
        "a.png": "", "b.jpg": "a.png", "c.png": "b.jpg", "d.png": "", "e.jpg": "",
    }  # fmt: skip


def a_profile(name: str) -> None:
    rng = np.random.default_rng(2)
    shots = [Shot(light, make_samples(albedo("usual"), light, rng)[0]) for light in ("noon", "lamp")]
    collect(shots, name, scheme=SCHEME).profile.save(profile_path(name))


def test_a_profile_goes_by_the_name_of_its_file(capsys: pytest.CaptureFixture) -> None:
    """A file that was copied by hand is another profile: what is listed is what --profile takes."""
    a_profile("one")
    shutil.copy(profile_path("one"), profile_path("two"))
    assert run(["profile", "list"]) == 0
    names = [line.partition(":")[0] for line in capsys.readouterr().out.splitlines()]
    assert names == ["default", "one", "two"]
    for name in names:
        assert run(["profile", "show", name]) == 0
        assert capsys.readouterr().out.startswith(f"{name}: ")


def test_where_no_profile_can_be_kept_no_picture_is_looked_at(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture
) -> None:
    def nobody(*_: object, **__: object) -> None:
        pytest.fail("the pictures were looked at")

    (tmp_path / "file").write_text("mine")
    cv2.imwrite(str(tmp_path / "a.png"), np.zeros((64, 64, 3), np.uint8))
    monkeypatch.setenv("LASTLOOK_PROFILES", str(tmp_path / "file" / "profiles"))
    monkeypatch.setattr(vision.calibrate, "profile_from_photos", nobody)
    assert run(["calibrate", "mine", "--photos", str(tmp_path / "a.png")]) == 2
    err = capsys.readouterr().err
    assert "file is there and is no folder" in err and err.count("\n") == 1


@pytest.mark.parametrize("width", [60, 80])
def test_a_profile_is_shown_in_a_narrow_terminal(
    width: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture
) -> None:
    """Each colour on a line of its own, no word broken."""
    a_profile("box")
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("COLUMNS", str(width))
    assert run(["profile", "show", "box"]) == 0
    lines = re.sub(r"\x1b\[[0-9;]*m", "", capsys.readouterr().out).splitlines()
    assert max(map(len, lines)) <= width
    for name in COLOURS:
        (line,) = (one for one in lines if one.startswith(name))
        assert len(line.split()) == 8  # name, sRGB, three of L*a*b*, scatter, stickers, opposite
    monkeypatch.setenv("COLUMNS", "40")
    assert run(["profile", "list"]) == 0
    assert max(map(len, capsys.readouterr().out.splitlines())) <= 40


def test_profiles_are_listed_shown_passed_on_and_removed(
    tmp_path: Path, capsys: pytest.CaptureFixture
) -> None:
    assert profile_names() == [] and run(["profile", "list"]) == 0
    a_profile("blue box")
    assert run(["profile", "list"]) == 0 and "blue box: 4x4x4" in capsys.readouterr().out
    assert run(["profile", "show", "blue box", "--picture", str(tmp_path / "p.png")]) == 0
    assert "closest pair" in capsys.readouterr().out and cv2.imread(str(tmp_path / "p.png")) is not None
    copy = tmp_path / "copy.json"
    assert run(["profile", "export", "blue box", str(copy)]) == 0
    assert run(["profile", "export", "blue box", str(copy)]) == 2  # never over a file
    assert (
        run(["profile", "import", str(copy)]) == 2
        and run(["profile", "import", str(copy), "--name", "red box"]) == 0
    )
    assert run(["profile", "import", str(copy), "--name", "box.json"]) == 2  # never found again under it
    assert load_named("red box").samples == load_profile(copy).samples
    assert run(["profile", "remove", "red box"]) == 2 and run(["profile", "remove", "red box", "--yes"]) == 0
    assert profile_names() == ["blue box"] and run(["profile", "forget", "blue box"]) == 2
    content = json.loads(copy.read_text())
    content["model"]["floor"] = -1
    copy.write_text(json.dumps(content))
    capsys.readouterr()
    assert run(["profile", "import", str(copy), "--name", "bad"]) == 1
    told = capsys.readouterr().err
    assert "floor" in told and told.count("\n") == 1 and profile_names() == ["blue box"]


def test_what_was_learned_is_shown_beside_plain_classifiers(capsys: pytest.CaptureFixture) -> None:
    rng = np.random.default_rng(2)
    shots = [Shot(light, make_samples(albedo("usual"), light, rng)[0]) for light in ("noon", "lamp", "sky")]
    collect(shots, "mine", scheme=SCHEME).profile.save(profile_path("mine"))
    assert run(["profile", "show", "mine"]) == 0
    plain = capsys.readouterr().out
    assert run(["profile", "show", "mine", "--compare"]) == 0
    shown = capsys.readouterr().out
    assert shown.startswith(plain)
    rows = [line.split("%") for line in shown[len(plain) :].splitlines()[1:]]
    assert sum(OURS in name for _, _, name in rows) == 1 and len(rows) == 1 + 3 * len(candidates())
    assert all(0 <= float(worst) <= float(mean) <= 100 for mean, worst, _ in rows)
    assert run(["profile", "show", "default", "--compare"]) == 1  # no pictures are kept there
    told = capsys.readouterr().err
    assert told.count("\n") == 1 and "two pictures" in told


def test_scikit_learn_is_loaded_to_compare_alone(own_profiles: Path) -> None:
    a_profile("mine")
    code = (
        "import sys; from vision.cli import run; status = run(sys.argv[1:]);"
        "sys.exit(status or ('sklearn' in sys.modules) + 10)"
    )
    for arguments, status in (([], 10), (["--compare"], 11)):
        command = [sys.executable, "-c", code, "profile", "show", "mine", *arguments]
        assert subprocess.run(command, capture_output=True).returncode == status


@pytest.mark.parametrize(
    "arguments",
    [
        ["calibrate", "default", "--photos", "x.jpg"],
        ["calibrate", "../x", "--photos", "x.jpg"],
        ["calibrate", "mine"],
        ["calibrate", "mine", "--photos", "gone.jpg"],
        ["calibrate", "mine", "--photos", "a", "--camera", "0"],
        ["profile", "show", "gone"],
        ["profile", "remove", "gone"],
    ],
)
def test_wrong_usage_is_one_line_and_status_2(arguments: list[str], capsys: pytest.CaptureFixture) -> None:
    assert run(arguments) == 2
    assert capsys.readouterr().err.count("\n") == 1 and profile_names() == []


@given(st.text("desk. +-_Öjson", min_size=1, max_size=12) | st.from_regex(r"\A[\w.]{1,5}\.json\Z"))
def test_every_name_that_a_profile_can_have_finds_it_again(name: str) -> None:
    """What can be made under a name can be used under it."""
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setenv("LASTLOOK_PROFILES", folder)
        try:
            path = profile_path(name)
        except UsageError as refused:
            assert repr(name) in str(refused) and "\n" not in str(refused)
            return
        replace(default_profile(), note="one of mine").save(path)
        found = load_named(name)
        assert (found.note, found.name) == ("one of mine", name) and profile_names() == [name]


def test_a_profile_that_is_there_is_not_replaced_unasked(capsys: pytest.CaptureFixture) -> None:
    a_profile("mine")
    before = profile_path("mine").read_bytes()
    assert run(["calibrate", "mine", "--photos", "x.jpg"]) == 2
    assert "--replace" in capsys.readouterr().err and profile_path("mine").read_bytes() == before


@pytest.mark.parametrize("spread", [1.0, 4.0, 9.0])
def test_no_name_lies_on_an_ellipse(spread: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """Names beside their ellipses, also where these lie close and are large: paper and lines under each."""
    usual = default_profile()
    names = ("snow", "a long yellow", "pink", "a long orange", "sea", "grass")
    model = replace(usual.model, sticker_cov=usual.model.sticker_cov * spread)
    profile = replace(usual.with_model(model), name="wide", colours=names)
    places: dict[str, tuple[int, int, Lettering]] = {}

    def noted(how: Lettering, image: np.ndarray, text: str, left: int, baseline: int) -> None:
        places[text] = left, baseline, how  # the names in the plane come last

    monkeypatch.setattr(Lettering, "put", noted)
    blank = profile_image(profile)
    allowed = {tuple(colour[::-1]) for colour in (PAPER, RULE)}
    for name in names:
        left, baseline, how = places[name]
        assert left > 440 and 90 < baseline < 700
        under = blank[baseline - how.size + 4 : baseline, left : left + how.width(name)]
        assert {tuple(pixel) for pixel in under.reshape(-1, 3).tolist()} <= allowed, name


@pytest.mark.parametrize("sizes", [(), (2, 3, 4, 5), (2, 3, 4, 5, 6, 7)])
def test_no_words_of_a_profile_lie_on_others(sizes: tuple[int, ...], monkeypatch: pytest.MonkeyPatch) -> None:
    """Each from the tops of its capitals to the feet of its letters, as wide as it is measured."""
    samples = tuple(ColourSample(0, (0.5,) * 3, None, f"a{i}#U") for i in range(1234))
    profile = replace(default_profile(), name="A profile of any cube", sizes=sizes, samples=samples)
    boxes: dict[str, tuple[float, float, float, float]] = {}

    def noted(how: Lettering, image: np.ndarray, text: str, left: int, baseline: int) -> None:
        rise, fall = 0.75 * how.size, 0.22 * how.size
        boxes[text] = left, baseline - rise, left + how.width(text), baseline + fall

    monkeypatch.setattr(Lettering, "put", noted)
    profile_image(profile)
    for (one, (l1, t1, r1, b1)), (two, (l2, t2, r2, b2)) in combinations(boxes.items(), 2):
        assert r1 <= l2 or r2 <= l1 or b1 <= t2 or b2 <= t1, (one, two)
        assert max(r1, r2) <= WIDTH


def test_the_picture_and_the_text_of_a_profile_show_all_six() -> None:
    image = profile_image(default_profile())
    assert image.shape == (760, 1180, 3) and len(np.unique(image.reshape(-1, 3), axis=0)) > 50
    text = profile_text(default_profile())
    assert all(name in text for name in COLOURS) and "CIEDE2000" in text


def test_scatter_is_one_thing_in_what_is_said_of_a_profile(monkeypatch: pytest.MonkeyPatch) -> None:
    """The column's widest standard deviation in a* and b*; not how far two lie apart in light."""
    drawn: list[str] = []
    monkeypatch.setattr(Lettering, "put", lambda self, image, text, *where: drawn.append(text))
    profile_image(default_profile())
    text = profile_text(default_profile())
    assert text.count("scatter") == 1 and "scatter" in text.splitlines()[1]
    apart = f"{closest_pair(default_profile()).deviations:.1f} standard deviations apart"
    assert apart in text and apart in " ".join(drawn) and "scatter" not in " ".join(drawn)


def test_a_name_of_ones_own_has_the_usual_one_beside_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture
) -> None:
    """In the text, in the list and in the picture; what is called as usual has nothing beside it."""
    monkeypatch.setenv("LASTLOOK_PROFILES", str(tmp_path))
    names = ("white", "yellow", "red", "peach", "blue", "mint")
    profile = replace(default_profile(), name="soft", colours=names)
    profile.save(tmp_path / "soft.json")
    text = profile_text(profile)
    assert re.search(r"^mint +green +#", text, re.MULTILINE) and re.search(
        r"^peach +orange +#", text, re.MULTILINE
    )
    assert re.search(r"^blue +#", text, re.MULTILINE)
    starts = {line.index("#") for line in text.splitlines() if "#" in line}
    assert starts == {text.splitlines()[1].index("sRGB")}
    assert run(["profile", "list"]) == 0
    assert "white, yellow, red, peach (orange), blue, mint (green)" in capsys.readouterr().out
    drawn: list[str] = []
    monkeypatch.setattr(Lettering, "put", lambda self, image, text, *where: drawn.append(text))
    profile_image(profile)
    told = [line.partition("in place of ")[2] for line in drawn if line.startswith("#")]
    assert told == ["", "", "", "orange", "", "green"]


def test_a_long_name_in_the_table_of_a_profile_ends_in_three_dots() -> None:
    names = ("white", "a yellow like no other", "red", "orange", "blue", "green")
    rows = profile_text(replace(default_profile(), colours=names)).splitlines()[2:8]
    starts = [row.partition("#")[0].partition("  ")[0] for row in rows]
    assert starts[0] == "white" and starts[1].endswith("\N{HORIZONTAL ELLIPSIS}")
    assert names[1].startswith(starts[1][:-1]) and len({row.index("#") for row in rows}) == 1


def test_a_terminal_shows_a_colour_where_it_names_it(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture
) -> None:
    """Source: ECMA-48 SGR 48, with the direct colour of ISO 8613-6: 48;2;red;green;blue."""
    for name, value in (("FORCE_COLOR", "1"), ("COLORTERM", "truecolor"), ("TERM", "xterm-256color")):
        monkeypatch.setenv(name, value)
    monkeypatch.delenv("NO_COLOR", raising=False)
    assert run(["profile", "show"]) == 0
    shown = re.findall(r"\x1b\[[\d;]*48;2;(\d+);(\d+);(\d+)m#(\w{6})\x1b", capsys.readouterr().out)
    assert len(shown) == 6
    for *rgb, told in shown:
        assert bytes(map(int, rgb)).hex() == told


def test_a_folder_named_like_markup_is_looked_at(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture
) -> None:
    """Names of files are said as they are; [/b] would end what nothing began."""
    monkeypatch.setenv("LASTLOOK_PROFILES", str(tmp_path / "profiles"))
    folder = tmp_path / "[" / "b]"
    folder.mkdir(parents=True)
    cv2.imwrite(str(folder / "grey.png"), np.full((60, 80, 3), 128, np.uint8))
    assert run(["calibrate", "grey", "--photos", str(folder)]) == 1
    err = capsys.readouterr().err
    assert err.startswith("lastlook: ") and "no cube was found" in err and err.count("\n") == 1
