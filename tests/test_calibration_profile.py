"""Profiles: what is saved comes back bit for bit, and a file that is off is refused by field, in one line."""

from __future__ import annotations

import copy
import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.profile import ColourSample, Profile, ProfileError, default_profile, load_profile
from calibration.profile_schema import check

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
        (["scheme", "U"], "mauve", "scheme"),
        (["model", "floor"], -1.0, "model.floor"),
        (["model", "mean"], [[0.0, 0.0, 0.0]], "model.mean"),
        (["model", "mean", 2, 1], "red", "model.mean.2.1"),
        (["model", "mean", 2, 1], float("nan"), "model.mean.2.1"),
        (["model", "face_cov"], [[1.0, 0.0, 0.0], [0.0, -1.0, 0.0], [0.0, 0.0, 1.0]], "face_cov"),
        (["model", "sticker_cov", 3, 0, 1], 5.0, "sticker_cov.3"),
        (["model", "glare_share", 0], 0.0, "glare_share"),
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


@pytest.mark.parametrize("text", ["", "{", "[]", "null", "3", '"x"', "\x80", "[" * 100_000])
def test_anything_else_is_refused_in_one_line(tmp_path: Path, text: str) -> None:
    file = tmp_path / "x.json"
    file.write_bytes(text.encode("latin-1"))
    with pytest.raises(ProfileError) as caught:
        load_profile(file)
    assert "\n" not in str(caught.value)


def test_missing_and_unwritable_places_are_told(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match="cannot be read"):
        load_profile(tmp_path / "nowhere.json")
    (tmp_path / "file").write_text("")
    with pytest.raises(ProfileError, match="could not be written"):
        default_profile().save(tmp_path / "file" / "cube.json")


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
