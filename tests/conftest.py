"""For all tests: nothing touches the user's own library, journal or profiles; none depends on the clock."""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, settings
from numpy.typing import NDArray

settings.register_profile("project", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("project")


@pytest.fixture(scope="session")
def shared_cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("cache")


@pytest.fixture
def own_folders(tmp_path: Path, shared_cache: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where a person's own files lie, with none there; what is cached of the built-in ones is shared."""
    monkeypatch.setenv("LASTLOOK_DATA", str(tmp_path / "data"))
    monkeypatch.setenv("LASTLOOK_CACHE", str(shared_cache))
    return tmp_path


@pytest.fixture
def written(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, int, int, int]]:
    """(text, left, baseline, width) of all that is set into pictures from here on, which goes on."""
    from vision.lettering import Lettering

    found: list[tuple[str, int, int, int]] = []
    put = Lettering.put

    def noted(how: Lettering, image: NDArray[np.uint8], text: str, left: int, baseline: int) -> None:
        found.append((text, left, baseline, how.width(text)))
        put(how, image, text, left, baseline)

    monkeypatch.setattr(Lettering, "put", noted)
    return found


def pytest_configure(config: pytest.Config) -> None:
    """Point the platform's data and cache folders (XDG Base Directory Specification) to an empty place."""
    home = tempfile.mkdtemp(prefix="lastlook-tests-")
    config.add_cleanup(lambda: shutil.rmtree(home, ignore_errors=True))
    for name in [name for name in os.environ if name.startswith("LASTLOOK_")]:
        del os.environ[name]
    for kind in ("DATA", "CACHE", "STATE", "CONFIG"):
        os.environ[f"XDG_{kind}_HOME"] = os.path.join(home, kind.lower())  # noqa: PTH118
