"""The house rules: who may import whom, what stands where, how long a module may be."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGES = ("models", "calibration", "vision")
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "sample_images", "tests", *PACKAGES}
DOCUMENTS = sorted(
    path
    for folder in (".", "sample_images", "tests", "tests/studio")
    for path in (ROOT / folder).glob("*.md")
)
LOCK_FILES = {"uv.lock", "pylock.toml", "requirements.lock"}
# what each package may import besides the standard library and the packages below it
OUTSIDE = {
    "models": {"numpy"},
    "calibration": {"numpy", "sklearn", "pydantic"},
    "vision": {
        "numpy",
        "cv2",
        "typer",
        "rich",
        "platformdirs",
        "pydantic",
        "joblib",
        "pillow_heif",
        "distributed",
    },
}
INSIDE = {"models": {"models"}, "calibration": {"calibration", "models"}, "vision": set(PACKAGES)}


def modules(*packages: str) -> list[Path]:
    return sorted(path for package in packages or PACKAGES for path in (ROOT / package).rglob("*.py"))


def name_of(path: Path) -> str:
    return str(path.relative_to(ROOT))


def imported(path: Path) -> Iterator[str]:
    """First names of everything a module imports, anywhere in it; no module here imports relatively."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name.split(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name_of(path)}: import by the full name"
            yield str(node.module).split(".")[0]


def imported_at_once(path: Path) -> set[str]:
    """What loading the module itself imports, outside functions and TYPE_CHECKING."""
    found = set()
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            found.add(str(node.module).split(".")[0])
    return found


@pytest.mark.parametrize("path", modules(), ids=name_of)
def test_imports_run_one_way(path: Path) -> None:
    package = path.relative_to(ROOT).parts[0]
    allowed = OUTSIDE[package] | INSIDE[package] | sys.stdlib_module_names
    assert set(imported(path)) <= allowed


@pytest.mark.parametrize("path", modules(), ids=name_of)
def test_nothing_is_unpickled(path: Path) -> None:
    """joblib and numpy can unpickle as well."""
    assert not set(imported(path)) & {"pickle", "marshal", "shelve", "dill", "cloudpickle"}
    text = path.read_text(encoding="utf-8")
    assert "allow_pickle=True" not in text and "joblib.load" not in text


@pytest.mark.parametrize("path", modules(), ids=name_of)
def test_modules_have_one_reason_and_400_lines_at_most(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= 400
    if path.name != "__init__.py":
        assert ast.get_docstring(ast.parse(text)), "a module says in its docstring what it is for"


def test_the_map_names_every_module_and_no_other() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    drawn = text[text.index("## Where things are") : text.index("## Conventions")]
    rooms = re.split(r"^\| about \| `(\w+)/` \|$", drawn, flags=re.MULTILINE)[1:]
    named = {
        package: re.findall(r"`(\w+)`", rows) for package, rows in zip(rooms[::2], rooms[1::2], strict=True)
    }
    standing = {
        package: sorted(path.stem for path in modules(package) if path.stem != "__init__")
        for package in PACKAGES
    }
    assert {package: sorted(names) for package, names in named.items()} == standing


def spans(path: Path) -> list[str]:
    """What stands between backticks within a line of a document."""
    text = re.sub(r"```.*?```", "", path.read_text(encoding="utf-8"), flags=re.DOTALL)
    return re.findall(r"`([^`\n]+)`", text)


@pytest.mark.parametrize("path", DOCUMENTS, ids=name_of)
def test_what_the_documents_point_at_exists(path: Path) -> None:
    """Files and modules (with * for several), and links to other documents and to headings."""
    text = path.read_text(encoding="utf-8")
    places = r"(?<![\w./-])((?:models|calibration|vision|tests|sample_images|\.ci)/[\w./*-]*[\w*])"
    shown = "\n".join([*spans(path), *re.findall(r"```.*?```", text, re.DOTALL)])
    missing = [
        place
        for place in re.findall(places, shown)
        if not list(ROOT.glob(place)) and not (ROOT / f"{place}.py").is_file()
    ]
    headings = [re.sub(r"[^\w -]", "", line.lower()) for line in re.findall(r"^#+ (.*)$", text, re.MULTILINE)]
    for link in re.findall(r"\]\(([^)\s]+)", text):
        here = link.startswith("#") and link[1:] in [heading.replace(" ", "-") for heading in headings]
        if not here and not (path.parent / link).is_file():
            missing.append(link)
    assert not missing


def test_the_names_that_developers_are_sent_to_exist() -> None:
    """Constants and functions, in the modules that stand in the same row or paragraph where some do."""
    code = {path: path.read_text(encoding="utf-8") for path in modules()}
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = text[text.index("## To change something") : text.index("## Where things are")].splitlines()
    paragraphs = text[text.index("## How it works") : text.index("## Benches")].split("\n\n")
    for part in [*rows, *paragraphs]:
        words = re.findall(r"`([^`\n]+)`", part)
        named = [ROOT / word for word in words if ROOT / word in code]
        for word in words:
            if re.fullmatch(r"[A-Z][A-Z_\d]{2,}|_[a-z_]+|[a-z]+(_[a-z]+)+", word):
                where = [code[path] for path in named] if part in rows else code.values()
                defined = re.compile(rf"^ *(?:def )?(?:\w+, )*{word}\b.*[(=:]", re.MULTILINE)
                assert any(defined.search(one) for one in where), f"{word}, in: {part}"


@pytest.mark.parametrize("path", sorted((ROOT / "vision").glob("cli*.py")), ids=name_of)
def test_command_modules_load_nothing_heavy(path: Path) -> None:
    assert not imported_at_once(path) & {"cv2", "sklearn", "joblib"}


def tracked() -> list[Path]:
    try:
        done = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True)
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("not a git checkout")
    return [ROOT / name for name in done.stdout.decode().split("\0") if name and (ROOT / name).is_file()]


def test_the_top_level_is_fixed() -> None:
    visible = {path.relative_to(ROOT).parts[0] for path in tracked()}
    visible = {name for name in visible if not name.startswith(".")}
    assert visible - LOCK_FILES == TOP_LEVEL


def test_no_folder_of_the_tests_is_named_like_a_package() -> None:
    assert not {path.name for path in (ROOT / "tests").rglob("*") if path.is_dir()} & set(PACKAGES)


def test_test_files_are_flat_and_named_after_what_they_test() -> None:
    assert not list((ROOT / "tests").glob("*/**/test_*.py"))
    for path in (ROOT / "tests").glob("test_*.py"):
        assert path.stem == "test_house" or path.stem.split("_")[1] in (*PACKAGES, "studio"), path.name


def test_nothing_of_a_machine_is_in_the_project() -> None:
    """No absolute path of somebody's machine, no registry's host."""
    local = re.compile(r"(?<![\w.])/(work|tmp|home|root|Users)/\w|(?:pypi|registry)\.[a-z]+\.[a-z]+")
    for path in tracked():
        if path.suffix in (".py", ".md", ".toml", ".json", "") and path.name != "test_house.py":
            found = local.search(path.read_text(encoding="utf-8", errors="ignore"))
            assert not found, f"{name_of(path)}: {found and found[0]}"


def test_a_per_cent_sign_stands_off_its_number() -> None:
    """ISO 80000-1, 7.1.4: a space between the number and the sign (lengths in style sheets have none)."""
    texts = [*modules(), *DOCUMENTS, *ROOT.glob("tests/bench_*.py")]
    for path in texts:
        text = path.read_text(encoding="utf-8").replace("NO-BREAK SPACE}%", "").replace(":100%", "")
        assert not re.findall(r".*[0-9}]%.*", text), name_of(path)


def test_the_build_names_its_packages_and_its_command() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    assert project["build-system"]["build-backend"] == "hatchling.build"
    assert sorted(project["tool"]["hatch"]["build"]["targets"]["wheel"]["packages"]) == sorted(PACKAGES)
    assert project["project"]["scripts"] == {"lastlook": "vision.cli:main"}
    assert {"dev", "heic"} <= set(project["project"]["optional-dependencies"])
    assert project["tool"]["mypy"]["strict"] is True


def test_packages_are_light_to_import() -> None:
    code = (
        "import sys, models, calibration, vision;"
        "heavy = {'cv2', 'sklearn', 'scipy', 'typer'} & set(sys.modules);"
        "sys.exit(f'loaded {heavy}' if heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def test_ci_runs_the_readmes_own_test_command() -> None:
    """What a newcomer is told to type is what is checked."""
    readme, ci = (ROOT / "README.md").read_text(), (ROOT / ".ci" / "run").read_text()
    commands = re.findall(r"^\.venv/bin/python -m pytest.*$", readme, re.MULTILINE)
    assert commands
    for command in commands:
        assert command.replace(".venv/bin/python", "").strip() in ci
