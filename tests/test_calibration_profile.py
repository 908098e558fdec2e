"""Profiles: what is saved comes back bit for bit, and a file that is off is refused by field, in one line."""

from __future__ import annotations

import copy
import inspect
import json
import pkgutil
import re
import subprocess
import sys
import warnings
from dataclasses import fields, is_dataclass, replace
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sticker_maker import albedo, make_samples

import calibration
from calibration.kept import MOST_OWN, picture_name, thinned
from calibration.learn import MOST_LEARNED
from calibration.profile import (
    ColourSample,
    Profile,
    ProfileError,
    default_profile,
    from_json_dict,
    load_profile,
)
from calibration.profile_schema import check
from calibration.reading import read_stickers
from calibration.samples import MAX_SAMPLES

share = st.floats(0, 1, allow_nan=False)


def content() -> dict[str, Any]:
    """The built-in profile as a file would hold it."""
    return copy.deepcopy(default_profile().to_json_dict())


def test_the_built_in_profile_passes_its_own_check() -> None:
    assert check(content()) is None
    profile = default_profile()
    assert np.linalg.eigvalsh(profile.model.picture_cov).min() > 0


@given(
    st.text(min_size=1, max_size=40).filter(lambda s: s.isprintable()),
    st.lists(st.tuples(st.integers(0, 5), st.tuples(share, share, share)), max_size=5),
)
def test_saving_and_loading_loses_nothing(name: str, samples: list[Any]) -> None:
    import tempfile

    profile = replace(
        default_profile(), name=name, sizes=(3, 4), samples=tuple(ColourSample(k, rgb) for k, rgb in samples)
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "cube.json"
        profile.save(path)
        again = load_profile(path)
        assert [p.name for p in Path(folder).iterdir()] == ["cube.json"]  # no partial file is left behind
    assert again.to_json_dict() == profile.to_json_dict()
    assert np.array_equal(again.model.picture_cov, profile.model.picture_cov)


@pytest.mark.parametrize(
    ("path", "value", "word"),
    [
        (["name"], 7, "name"),
        (["sizes"], [9], "sizes"),
        (["colours"], ["a", "a", "b", "c", "d", "e"], "colours"),
        (["colours"], ["white"], "colours"),
        (["colours", 0], "white\nblack", "colours.0"),
        (["colours", 0], "white\x1b[2J", "colours.0"),
        (["name"], "desk\r", "name"),
        (["scheme", "U"], "mauve", "scheme"),
        (["model", "floor"], -1.0, "model.floor"),
        (["model", "mean"], [[0.0, 0.0, 0.0]], "model.mean"),
        (["model", "mean", 2, 1], "red", "model.mean.2.1"),
        (["model", "mean", 2, 1], float("nan"), "model.mean.2.1"),
        (["model", "mean"], [[1e308] * 3] * 6, "model.mean.0.0"),
        (["model", "mean", 5, 2], -1e9, "model.mean.5.2"),
        (["model", "face_cov"], [[1e-320, 0.0, 0.0], [0.0, 1e-320, 0.0], [0.0, 0.0, 1e-320]], "face_cov"),
        (["model", "face_cov"], [[1.0, 0.0, 0.0], [0.0, -1.0, 0.0], [0.0, 0.0, 1.0]], "face_cov"),
        (["model", "sticker_cov", 3, 0, 1], 5.0, "sticker_cov.3"),
        (["model", "glare_share", 0], 0.0, "glare_share"),
        (["model", "glare_share"], [0.85, 0.0, 0.03, 0.03, 0.03, 0.03, 0.03], "glare_share.1"),
        (["model", "glare_level", 0], 0.5, "glare_level.0"),
        (["model", "variant_cov", 1, 0, 0], -1.0, "variant_cov.1"),
        (["model", "variant_cov", 2, 0, 1], 5.0, "variant_cov.2"),
        (["model", "variant_cov", 3, 0, 0], 1e300, "variant_cov.3"),
        (["model", "cell_cov", 3, 0, 0], 1e300, "cell_cov.3"),
        (["model", "cover_mean", 1], 1000.0, "cover_mean.1"),
        (["model", "outlier_share"], 1e-300, "outlier_share"),
        (["held_out"], {"worst": float("inf")}, "held_out.worst"),
        (["model", "temperature"], 0.1, "temperature"),
        (["lastlook_profile"], 99, "version"),
        (["surprise"], 1, "surprise"),
        (
            ["samples"],
            [{"colour": "red", "linear_rgb": [0.1, 0.2, 3.0], "light_rgb": None, "picture": ""}],
            "samples",
        ),
    ],
)
def test_a_field_that_is_off_is_named(tmp_path: Path, path: list[Any], value: Any, word: str) -> None:
    broken = content()
    spot: Any = broken
    for step in path[:-1]:
        spot = spot[step]
    spot[path[-1]] = value
    file = tmp_path / "broken.json"
    file.write_text(json.dumps(broken))
    with pytest.raises(ProfileError) as caught:
        load_profile(file)
    message = str(caught.value)
    assert word in message and "broken.json" in message and "\n" not in message
    assert "lastlook calibrate" in message and "lastlook profile export" in message  # what to do
    assert not re.search("Input should|Field required|should have|validation|permitted|Value error", message)


@pytest.mark.parametrize(
    ("path", "value", "told"),
    [
        (["model", "mean"], [[0.0] * 3] * 5, "model.mean: must have 6 or more entries, and has 5"),
        (["model", "mean", 2, 1], float("nan"), "model.mean.2.1: NaN is no number"),
        (["model", "mean", 2, 1], 51, "model.mean.2.1: must be 50 at most"),
        (["model", "mean", 2, 1], "red", "model.mean.2.1: must be a number"),
        (["model", "temperature"], 0.1, "model.temperature: must be 1 at least"),
        (["model"], [], "model: must be an object, as {...}"),
        (["name"], 7, "name: must be text"),
        (["surprise"], 1, "surprise: does not belong here"),
        (["scheme"], {}, "scheme.U: is missing (and 5 more)"),
    ],
)
def test_what_is_wrong_is_said_in_plain_words(path: list[Any], value: Any, told: str) -> None:
    broken = content()
    spot: Any = broken
    for step in path[:-1]:
        spot = spot[step]
    spot[path[-1]] = value
    assert check(broken) == told


@pytest.mark.parametrize("other", [{}, {"name": "a package", "version": "1.0"}, [], 3])
def test_a_file_of_another_kind_is_called_no_profile(other: Any) -> None:
    assert "not a profile" in str(check(other))


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", "null", "3", '"x"', "\x80", "[" * 100_000, "9" * 5000, '{"name": ' + "9" * 5000 + "}"],
)
def test_anything_else_is_refused_in_one_line(tmp_path: Path, text: str) -> None:
    file = tmp_path / "x.json"
    file.write_bytes(text.encode("latin-1"))
    with pytest.raises(ProfileError) as caught:
        load_profile(file)
    assert "\n" not in str(caught.value)


def test_a_byte_order_mark_may_stand_first(tmp_path: Path) -> None:
    """Some editors write one."""
    file = tmp_path / "x.json"
    file.write_bytes(b"\xef\xbb\xbf" + json.dumps(content()).encode())
    assert load_profile(file).to_json_dict() == content()


def test_missing_and_unwritable_places_are_told(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match="cannot be read"):
        load_profile(tmp_path / "nowhere.json")
    (tmp_path / "file").write_text("")
    with pytest.raises(ProfileError, match="could not be written"):
        default_profile().save(tmp_path / "file" / "cube.json")


def many_samples(
    count: int, picture: str = "a picture of the cube on the desk, by day {}.jpg"
) -> list[ColourSample]:
    """Stickers of pictures that show three faces of a 5x5x5 each, one of them in many colours."""
    rng = np.random.default_rng(0)
    values = rng.random((count, 6)).tolist()
    return [
        ColourSample(
            i % 5 if i % 75 < 25 else i % 75 // 25,
            (red, green, blue),
            (white_r, white_g, white_b),
            f"{picture.format(i // 75)}#{'URF'[i % 75 // 25]}",
        )
        for i, (red, green, blue, white_r, white_g, white_b) in enumerate(values)
    ]


def test_as_many_stickers_as_may_be_kept_can_be_loaded_again(tmp_path: Path) -> None:
    """The two limits agree: of the file's length, and of the stickers in it."""
    profile = replace(default_profile(), name="full", samples=tuple(many_samples(MAX_SAMPLES)))
    profile.save(tmp_path / "full.json")
    assert load_profile(tmp_path / "full.json").samples == profile.samples
    assert MOST_OWN + MOST_LEARNED * 3 * 7 * 7 <= MAX_SAMPLES


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"samples": tuple(many_samples(MAX_SAMPLES + 1))}, "samples"),
        ({"samples": tuple(many_samples(MAX_SAMPLES, "x" * 900 + "{}"))}, "MB"),
        ({"held_out": {"worst picture": float("nan")}}, "held_out.worst picture"),
        ({"name": ""}, "name"),
        ({"note": "caf\udce9"}, "note"),
    ],
    ids=["stickers", "bytes", "nan", "nameless", "no text"],
)
def test_what_could_not_be_loaded_is_not_saved(tmp_path: Path, changes: dict[str, Any], word: str) -> None:
    file = tmp_path / "cube.json"
    default_profile().save(file)
    before = file.read_bytes()
    with pytest.raises(ProfileError) as caught:
        replace(default_profile(), **changes).save(file)
    message = str(caught.value)
    assert word in message and "cube.json" in message and "\n" not in message
    assert file.read_bytes() == before and len(list(tmp_path.iterdir())) == 1


@given(
    st.lists(st.tuples(st.sampled_from("ab"), st.integers(0, 5)), max_size=60),
    st.integers(1, 70),
)
def test_thinning_keeps_every_colour_of_every_face_as_long_as_it_can(
    keys: list[tuple[str, int]], most: int
) -> None:
    samples = [ColourSample(colour, (i / 100, 0.0, 0.0), None, face) for i, (face, colour) in enumerate(keys)]
    kept = thinned(samples, most)
    assert len(kept) <= most and list(kept) == [one for one in samples if one in kept]
    assert (list(kept) == samples) if len(samples) <= most else kept
    groups = {(one.picture, one.colour) for one in samples}
    counts = [sum((one.picture, one.colour) == group for one in kept) for group in groups]
    if len(groups) <= most:
        assert all(counts)
        whole = [sum((one.picture, one.colour) == group for one in samples) for group in groups]
        # a group gives up stickers only where no other keeps more
        assert all(c == w or c == max(counts) for c, w in zip(counts, whole, strict=True))


@given(st.text(alphabet=st.characters(), max_size=400))
def test_a_picture_is_kept_under_a_name_that_can_be_written(text: str) -> None:
    name = picture_name(text)
    assert "#" not in name and name.encode().decode() == name and picture_name(name) == name
    assert len(name) <= 200


def test_a_save_that_fails_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "cube.json"
    default_profile().save(file)
    before = file.read_bytes()

    def full(self: Path, target: Path) -> Path:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(ProfileError):
        replace(default_profile(), name="other").save(file)
    assert file.read_bytes() == before and len(list(tmp_path.iterdir())) == 1


def test_reading_imports_neither_scikit_learn_nor_pydantic_nor_opencv() -> None:
    code = (
        "import sys, numpy as np; from calibration.reading import read_stickers;"
        "from calibration.samples import StickerSamples as S;"
        "s = S.empty(4); s.coverage[0] = 1; s.linear_rgb[0] = .5; read_stickers(s);"
        "print([m for m in ('sklearn', 'pydantic', 'cv2', 'scipy') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_profile_may_be_of_other_colours() -> None:
    other = content()
    names = ["black", "mint", "rose", "sand", "navy", "plum"]
    other["colours"] = names
    other["scheme"] = dict(zip("URFDLB", names, strict=True))
    other["samples"] = []
    assert check(other) is None


def test_profiles_hash_by_identity_so_that_prepared_numbers_are_never_mixed_up() -> None:
    first = default_profile()
    assert hash(first) != hash(replace(first)) and first != replace(first)
    assert isinstance(first, Profile)


def values_with_arrays() -> list[type]:
    """The frozen values of the package that hold arrays, which neither compare nor hash."""
    found = []
    for module in pkgutil.iter_modules(calibration.__path__, "calibration."):
        for _, kind in inspect.getmembers(import_module(module.name), inspect.isclass):
            if kind.__module__ == module.name and is_dataclass(kind):
                words = " ".join(str(one.type) for one in fields(kind))
                if any(word in words for word in ("Floats", "Ints", "NDArray")):
                    found.append(kind)
    return found


@pytest.mark.parametrize("kind", values_with_arrays(), ids=lambda kind: kind.__name__)
def test_values_that_hold_arrays_compare_and_hash_by_identity(kind: type) -> None:
    assert kind.__eq__ is object.__eq__ and kind.__hash__ is object.__hash__


scale, any_scale = st.floats(1e-3, 3.0), st.sampled_from([-0.5, 0.0, 0.01, 0.5])


@given(
    st.lists(st.tuples(scale, scale, scale), min_size=25, max_size=25),
    st.tuples(any_scale, any_scale, any_scale),
    st.lists(st.sampled_from([0.0, 1e-30, 0.1, 0.5]), min_size=7, max_size=7).filter(any),
    st.lists(st.floats(-1.0, 100.0), min_size=6, max_size=6),
    st.sampled_from([0.0, 1e-9, 0.5, 0.99]),
    st.integers(0, 2**32 - 1),
)
@settings(max_examples=80)
def test_what_passes_the_check_can_be_read_with(
    variances: list[tuple[float, ...]],
    odd: tuple[float, ...],
    shares: list[float],
    levels: list[float],
    cover: float,
    seed: int,
) -> None:
    """No warning of a division by zero, and an evidence that is a number, whatever numbers are allowed."""
    rng = np.random.default_rng(seed)

    def cov(values: tuple[float, ...]) -> list[list[float]]:
        turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
        matrix = (turn * values) @ turn.T
        return ((matrix + matrix.T) / 2.0).tolist()

    other = content()
    model = other["model"]
    model["glare_share"] = (np.array(shares) / sum(shares)).tolist()
    model["glare_level"] = [0.0, *levels]
    model["face_cov"], model["cover_share"] = cov(variances[0]), cover
    model["outlier_share"] = max(cover, 1e-9)
    for name, at, count in (("cell_cov", 1, 6), ("sticker_cov", 7, 6), ("variant_cov", 13, 7)):
        model[name] = [cov(values) for values in variances[at : at + count]]
    model["variant_cov"][0], model["variant_cov"][1] = [[0.0] * 3] * 3, cov(odd)
    if check(other) is not None:
        assert min(odd) < 0.0 or min(shares) == 0.0
        return
    samples = make_samples(albedo("usual"), "lamp", np.random.default_rng(1))[0]
    samples.linear_rgb[0, 0, 0], samples.coverage[0, 1] = 0.0, 0.2
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        reading = read_stickers(samples, from_json_dict(other))
    assert np.isfinite(reading.log_evidence) and 0.0 <= reading.posterior.probability <= 1.0
