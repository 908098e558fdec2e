"""The collection's page: whole in itself, complete, filtered by style rules, and right in a real browser."""

from __future__ import annotations

import re
import shutil
import subprocess
from html.parser import HTMLParser
from pathlib import Path

import cv2
import numpy as np
import pytest
from test_vision_diagram import contrast

from models.cases import CASE_LIST, CASES
from models.layer import LastLayer
from vision.answer import Answer, Candidate, NamedCase, ShownSequence, StateSeen
from vision.answer_json import answer_to_json
from vision.gather import Item
from vision.label import unreadable_answer
from vision.page import cut_out, write_page
from vision.page_style import SHEET

COLOURS = ("yellow", "red", "green", "white", "orange", "blue")


def an_answer(code: str, image: str = "x.jpg") -> dict:
    case = CASES[code]
    layer = LastLayer(4, (0, 1, 2, 3), case.twist, (0, 1, 2, 3), case.flip)
    answer = Answer(
        image=image,
        ok=True,
        size=4,
        state=StateSeen.from_layer(layer, COLOURS),
        case=NamedCase(code, case.name, case.cue, 0.9),
        candidates=(Candidate(code, 0.9), Candidate("e0-t", 0.1)),
        sequences=(ShownSequence("R U R'", "U2", 3, 3, 1.0, "test <b>", ""),),
    )
    return answer_to_json(answer)


def an_open_answer(reason: str, image: str = "open.jpg") -> dict:
    return answer_to_json(Answer(image=image, ok=False, reason=reason, candidates=(Candidate("e0-t", 0.5),)))


class Elements(HTMLParser):
    """Collects tags with their attributes, and text."""

    void = frozenset({"meta", "input", "img", "br"})

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict]] = []
        self.text = ""
        self.open: list[str] = []
        self.feed(text)
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list) -> None:
        self.found.append((tag, dict(attrs)))
        if tag not in self.void:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list) -> None:
        self.found.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open[-1:] != ["style"]:
            self.text += data

    def of(self, tag: str) -> list[dict]:
        return [attrs for found, attrs in self.found if found == tag]


def grey(answer: dict) -> np.ndarray:
    return np.full((30, 40, 3), 90, np.uint8)


def page_of(answers: list[dict], folder: Path) -> str:
    write_page(answers, folder / "page.html", thumb=grey)
    return (folder / "page.html").read_text()


def test_the_page_holds_everything_itself_and_runs_no_script(tmp_path: Path) -> None:
    nasty = 'a"><script src=x>&.jpg'
    page = Elements(page_of([an_answer("e1-sune-left", nasty), an_open_answer("ambiguous")], tmp_path))
    assert not page.of("script") and not page.of("link") and not page.of("iframe")
    for _, attrs in page.found:
        for name in ("src", "href", "action", "data", "poster"):
            assert attrs.get(name, "data:").startswith("data:")
        assert not [name for name in attrs if name.startswith("on")]
    assert "<script" in page.text  # the file's name, as text
    assert any("default-src 'none'" in meta.get("content", "") for meta in page.of("meta"))


def test_every_picture_stands_under_its_case_with_diagram_and_sequence(tmp_path: Path) -> None:
    answers = [an_answer(case.code, f"{case.code}.jpg") for case in CASE_LIST] + [
        an_answer("e0-sune", "second.jpg")
    ]
    answers += [
        an_open_answer("not-last-layer"),
        answer_to_json(Answer(image="none.jpg", ok=False, reason="no-cube")),
    ]
    page = Elements(page_of(answers, tmp_path))
    sections = page.of("section")
    assert [one["id"] for one in sections] == [case.code for case in CASE_LIST] + ["open"]
    for section, case in zip(sections, CASE_LIST, strict=False):
        assert section["class"].split() == [f"f-{case.corners}", f"e-{case.edges}"]
    assert len(page.of("figure")) == len(page.of("img")) == 112 + 1 + 1
    assert len(page.of("svg")) == 112 + 113  # one a case, one a named picture as it lies
    assert page.text.count("R U R'") == 113 and "none.jpg" not in page.text
    # choices: every family, every edge pattern, and "all" chosen in both
    chosen = [one["id"] for one in page.of("input") if "checked" in one]
    assert chosen == ["f-all", "e-all"] and len(page.of("input")) == (1 + 8 + 1) + (1 + 6)
    assert {one["for"] for one in page.of("label")} == {one["id"] for one in page.of("input")}


def test_the_turn_that_is_not_counted_is_marked_without_colour(tmp_path: Path) -> None:
    whole = page_of([an_answer("e1-sune-left")], tmp_path)
    assert "first <u>U2</u>, then R U R" in whole and "3 OBTM, 3 ETM" in whole
    assert "text-decoration:none" not in whole, "underlined, as u is"
    assert "the underlined turn" in whole and "not counted" in whole
    assert "code{" in whole and "nowrap" in whole.partition("code{")[2].partition("}")[0]


def test_the_permutation_that_is_left_stands_by_the_picture_that_tells_it(tmp_path: Path) -> None:
    told = [an_answer("e0-solved"), an_answer("e1-sune-left")]
    for one in told:
        one["permutation"] = {"code": "T<b>", "probability": 0.99}
    page = Elements(page_of([*told, an_answer("e0-t")], tmp_path))
    assert page.text.count("Left: permutation T<b>") == page.text.count("After it: permutation T<b>") == 1
    assert page.text.count("permutation") == 2


def test_an_answer_that_lacks_a_number_or_holds_a_tag_spoils_no_page(tmp_path: Path) -> None:
    """Answers are read from a file that anybody may have written to."""
    bare, nasty = an_answer("e0-t"), an_answer("e0-h")
    del bare["sequences"][0]["length"], bare["sequences"][0]["etm"]
    nasty["sequences"][0]["length"] = "<script>x</script>"
    whole = page_of([bare, nasty], tmp_path)
    assert not Elements(whole).of("script") and whole.count("OBTM") == 2  # once in the foot


def test_a_cube_without_edges_is_shown_without(tmp_path: Path) -> None:
    """A 2x2x2 under a case that larger cubes have too, and among some of these."""
    small = {**an_answer("e0-bowtie", "small.jpg"), "size": 2}
    small["state"] = {**small["state"], "edges": [], "flip": []}
    alone = page_of([small], tmp_path)
    text = Elements(alone).text
    assert "bowtie" in text and "edge" not in text.partition("bowtie")[2].partition("Turns in")[0].lower()
    both = page_of([small, an_answer("e0-bowtie")], tmp_path)
    assert "no edge flipped" in Elements(both).text

    def pieces(page: str) -> int:
        return page.partition("<svg")[2].partition("</svg>")[0].count("<path")

    assert pieces(both) == pieces(alone) + 5  # the four edges and the centre


def test_a_refused_cube_is_given_no_cases(tmp_path: Path) -> None:
    for reason, listed in (("not-last-layer", False), ("top-hidden", False), ("ambiguous", True)):
        assert ("<code>e0-t</code>" in page_of([an_open_answer(reason)], tmp_path)) is listed


def test_a_recorded_case_shows_its_time_and_a_lost_picture_is_said(tmp_path: Path) -> None:
    answer = {
        **an_answer("e0-t", str(tmp_path / "gone.mp4")),
        "start": 102.0,
        "end": 105.9,
        "confidence": 0.8,
    }
    write_page([answer], tmp_path / "p.html")
    text = Elements((tmp_path / "p.html").read_text()).text
    assert (
        "gone.mp4, 1:42 to 1:45" in text
        and "not there any more" in text
        and "80.0\N{NO-BREAK SPACE}%" in text
    )


def test_cuts_stay_inside_and_hold_the_quad() -> None:
    image = np.zeros((300, 400, 3), np.uint8)
    image[100:140, 200:240] = 255
    quad = np.array([[200, 100], [240, 100], [240, 140], [200, 140]], float)
    part = cut_out(image, quad)
    assert part.shape[0] < 300 and (part > 0).sum() == 40 * 40 * 3
    for odd in (quad - 500, quad * 100, quad * 0, np.zeros((0, 2))):
        assert min(cut_out(image, odd).shape[:2]) > 0


BROWSER = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")


@pytest.mark.slow
@pytest.mark.skipif(BROWSER is None, reason="needs Debian's chromium")
def test_filters_work_in_a_browser(tmp_path: Path) -> None:
    """Colours of the pictures that a headless chromium paints tell which cases are on view."""
    shades = {"e1-pi-front": (0, 0, 255), "e0-pi": (0, 255, 0), "e1-sune-left": (255, 0, 0)}

    def painted(answer: dict) -> np.ndarray:
        return np.full((300, 400, 3), shades[answer["case"]["code"]], np.uint8)

    write_page([an_answer(code) for code in shades], tmp_path / "p.html", thumb=painted)
    whole = (tmp_path / "p.html").read_text()

    def on_view(family: str, edges: str) -> set[str]:
        chosen = whole.replace(" checked>", ">")
        for radio in (f"f-{family}", f"e-{edges}"):
            chosen = chosen.replace(f'id="{radio}">', f'id="{radio}" checked>')
        (tmp_path / "q.html").write_text(chosen)
        subprocess.run(
            [str(BROWSER), "--headless", "--no-sandbox", "--disable-gpu", "--window-size=1200,1600",
             f"--screenshot={tmp_path / 'q.png'}", (tmp_path / "q.html").as_uri()],
            check=True, capture_output=True, timeout=120,
        )  # fmt: skip
        shot = cv2.imread(str(tmp_path / "q.png")).astype(int)
        return {
            c for c, bgr in shades.items() if (np.abs(shot - np.array(bgr)).max(axis=2) < 40).sum() > 10_000
        }

    assert on_view("all", "all") == set(shades)
    assert on_view("pi", "all") == {"e1-pi-front", "e0-pi"}
    assert on_view("all", "e1") == {"e1-pi-front", "e1-sune-left"}
    assert on_view("pi", "e1") == {"e1-pi-front"}
    assert on_view("sune", "e0") == set()


def test_what_could_not_be_read_is_not_tried_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It may bring down the process that tries; of all that the run has by then nothing may be lost."""

    def never(*_: object, **__: object) -> None:
        raise SystemExit("as if the process had died")

    monkeypatch.setattr("vision.sources.load_photo", never)
    assert write_page([unreadable_answer(Item("x.jpg", "picture", 1, 1))], tmp_path / "page.html") == 1
    assert "x.jpg" in (tmp_path / "page.html").read_text()


def test_all_text_of_the_page_stands_out_from_what_is_behind_it() -> None:
    """WCAG 2.1, 1.4.3: 4.5:1, in the light look, in the dark one and on paper."""
    whole = re.findall(r":root\{([^}]*)\}", SHEET)
    assert len(whole) == 3
    look: dict[str, str] = {}
    for rules in whole:
        look |= dict(re.findall(r"--(\w+):#(\w+)", rules))
        rgb = {name: hex_rgb(value) for name, value in look.items()}
        shaded = tuple(round(0.8 * v) for v in rgb["paper"])  # .see: black, a fifth opaque
        for text in ("ink", "soft", "mark"):
            for behind in ("paper", "card", "chip"):
                assert contrast(rgb[text], rgb[behind]) >= 4.5, (text, behind, look)
        assert contrast(rgb["paper"], rgb["ink"]) >= 4.5, "a chosen filter"
        words = re.search(r"\.see i\{[^}]*\}", SHEET)
        colour = re.search(r"color:var\(--(\w+)\)", words[0]) if words else None
        assert contrast(rgb[colour[1] if colour else "ink"], shaded) >= 4.5, "where a picture is missing"


def hex_rgb(text: str) -> tuple[int, int, int]:
    text = "".join(2 * letter for letter in text) if len(text) == 3 else text
    red, green, blue = (int(text[i : i + 2], 16) for i in (0, 2, 4))
    return red, green, blue


def test_a_filter_says_by_itself_what_it_shows(tmp_path: Path) -> None:
    """For who hears the page: the buttons stand far from the words beside them."""
    text = page_of([an_answer("e1-sune-left"), an_open_answer("ambiguous")], tmp_path)
    inputs = re.findall(r"<input[^>]*>", text)
    told = [re.search(r'aria-label="([^"]+)"', one) for one in inputs]
    names = [one[1] for one in told if one]
    assert len(names) == len(inputs) == len(set(names))
    assert {"Corners: sune, 1", "Corners: not settled, 1", "Flipped: one, 1", "Flipped: all, 2"} <= set(names)
