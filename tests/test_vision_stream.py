"""Frames arrive in order and in time from every kind of source, and a source that fails is told and retried.

Every frame made here carries its number in large black and white blocks, so that what comes out of a
codec or over a socket can be compared with what went in.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import cv2
import numpy as np
import pytest

import vision.readers
import vision.stream
from vision.readers import StreamFaultError, open_reader
from vision.stream import FrameStream, StreamEvent, StreamFrame
from vision.stream_source import Source, source_named

BITS = 8


def numbered(number: int, width: int = 320, height: int = 240) -> np.ndarray:
    image = np.full((height, width, 3), (150, 128, 100), np.uint8)
    step = width // BITS
    for bit in range(BITS):
        image[60:180, bit * step : (bit + 1) * step] = 255 if number >> bit & 1 else 0
    return image


def number_of(image: np.ndarray) -> int:
    step = image.shape[1] // BITS
    middle = image[image.shape[0] // 2, :, 1]
    return sum(int(middle[bit * step + step // 2] > 128) << bit for bit in range(BITS))


def fetch_all(stream: FrameStream, limit_s: float = 20.0) -> tuple[list[StreamFrame], list[StreamEvent]]:
    frames, events = [], []
    until = time.monotonic() + limit_s
    while time.monotonic() < until:
        frame = stream.next_frame(0.5)
        events += stream.events()
        if frame is not None:
            frames.append(frame)
        elif stream.ended:
            break
    return frames, events + stream.events()


class Handler(BaseHTTPRequestHandler):
    """Serves multipart JPEG as cameras do (multipart/x-mixed-replace); ``plan`` is shared with the test."""

    plan: dict[str, object]

    def do_GET(self) -> None:
        plan = self.server.plan  # type: ignore[attr-defined]
        self.send_response(200)
        self.send_header("Content-Type", "multipart/x-mixed-replace; boundary=frame")
        self.end_headers()
        plan["openings"] += 1
        try:
            for _ in range(plan["frames"][min(plan["openings"] - 1, len(plan["frames"]) - 1)]):
                data = cv2.imencode(".jpg", numbered(plan["sent"] % 256))[1].tobytes()
                head = f"--frame\r\nContent-Type: image/jpeg\r\nContent-Length: {len(data)}\r\n\r\n"
                self.wfile.write(head.encode() + data + b"\r\n")
                plan["sent"] += 1
                if plan["over"].wait(0.02):
                    return
            plan["over"].wait(plan["silence_s"])
        except OSError:
            pass

    def log_message(self, *_: object) -> None:
        pass


@contextmanager
def camera_server(frames: list[int], silence_s: float = 0.0, port: int = 0) -> Iterator[tuple[str, dict]]:
    """An MJPEG camera on 127.0.0.1: opening k gives ``frames[k]`` pictures, then silence, then hangs up."""
    plan = {"frames": frames, "silence_s": silence_s, "openings": 0, "sent": 0, "over": threading.Event()}
    ThreadingHTTPServer.allow_reuse_address = True
    server = ThreadingHTTPServer(("127.0.0.1", port), Handler)
    server.plan = plan  # type: ignore[attr-defined]
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}/video", plan
    finally:
        plan["over"].set()
        server.shutdown()
        server.server_close()
        thread.join()


def write_folder(folder: Path, count: int) -> None:
    for number in range(count):
        assert cv2.imwrite(str(folder / f"f{number}.png"), numbered(number))


def test_a_folder_hands_over_every_frame_in_the_order_of_its_numbers(tmp_path: Path) -> None:
    write_folder(tmp_path, 12)
    (tmp_path / "notes.txt").write_text("not a frame")
    with FrameStream(source_named(str(tmp_path)), pace="every", frame_rate=25) as stream:
        frames, events = fetch_all(stream)
    assert [number_of(frame.image_bgr) for frame in frames] == list(range(12))
    assert [frame.time_s for frame in frames] == pytest.approx([k / 25 for k in range(12)])
    assert stream.dropped == 0
    assert [event.kind for event in events] == ["opened", "ended"]


def test_a_broken_picture_in_a_folder_is_skipped_and_named(tmp_path: Path) -> None:
    write_folder(tmp_path, 3)
    (tmp_path / "f1.png").write_bytes(b"\x89PNG\r\n\x1a\n broken")
    with FrameStream(source_named(str(tmp_path)), pace="every") as stream:
        frames, events = fetch_all(stream)
    assert [number_of(frame.image_bgr) for frame in frames] == [0, 2]
    assert [frame.time_s for frame in frames] == pytest.approx([0, 2 / 30]), "its place in time stays empty"
    assert any(event.kind == "skipped" and "f1.png" in event.text for event in events)


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("recording") / "clip.mp4"
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"mp4v"), 20.0, (320, 240))
    assert writer.isOpened()
    for number in range(30):
        writer.write(numbered(number))
    writer.release()
    return path


def test_a_recording_gives_every_frame_at_its_own_time(recording: Path) -> None:
    with FrameStream(source_named(str(recording)), pace="every") as stream:
        frames, events = fetch_all(stream)
    assert [number_of(frame.image_bgr) for frame in frames] == list(range(30))
    assert [frame.time_s for frame in frames] == pytest.approx([k / 20 for k in range(30)], abs=1e-3)
    assert events[-1].kind == "ended" and "30 frames" in events[-1].text


def test_a_slow_reader_gets_the_newest_frame_and_the_rest_is_counted(recording: Path) -> None:
    with FrameStream(source_named(str(recording)), pace="clock") as stream:
        seen = []
        while not stream.ended or seen[-1].index < 29:
            frame = stream.next_frame(1.0)
            if frame is None:
                break
            seen.append(frame)
            time.sleep(0.17)
    indices = [frame.index for frame in seen]
    assert indices == sorted(set(indices)) and len(seen) + stream.dropped == 30
    assert stream.dropped > 0
    for frame in seen:
        assert number_of(frame.image_bgr) == frame.index


def test_a_network_camera_is_read_and_let_go(tmp_path: Path) -> None:
    with camera_server([10_000]) as (address, plan):
        with FrameStream(source_named(address)) as stream:
            first = stream.next_frame(8.0)
            assert first is not None
            time.sleep(0.5)
            late = stream.next_frame(2.0)
            assert late is not None and late.index > first.index
            assert plan["sent"] - late.index < 40, "old pictures are dropped, not queued"
            assert number_of(late.image_bgr) == late.index % 256 or plan["openings"] > 1
        assert stream.close()


def test_a_camera_that_dies_and_comes_back_goes_on(tmp_path: Path) -> None:
    with (
        camera_server([25, 25, 10_000]) as (address, plan),
        FrameStream(source_named(address), waits_s=(0.1, 0.2)) as stream,
    ):
        events: list[StreamEvent] = []
        highest = -1
        until = time.monotonic() + 20
        while time.monotonic() < until and (plan["openings"] < 3 or highest < 60):
            frame = stream.next_frame(0.2)
            if frame is not None:
                assert frame.index > highest
                highest = frame.index
            events += stream.events()
    kinds = [event.kind for event in events]
    assert kinds.count("opened") == 3 and kinds.count("lost") >= 2
    assert all(address.rsplit("/", 1)[0] in event.text for event in events)


def test_a_stall_is_told_before_the_read_times_out() -> None:
    with (
        camera_server([20], silence_s=30.0) as (address, _),
        FrameStream(source_named(address), stall_s=0.5, waits_s=(0.1,)) as stream,
    ):
        events: list[StreamEvent] = []
        until = time.monotonic() + 15
        while time.monotonic() < until and [e.kind for e in events].count("opened") < 2:
            stream.next_frame(0.1)
            events += stream.events()
        kinds = [event.kind for event in events]
        assert kinds[:3] == ["opened", "stalled", "lost"], kinds
        assert kinds.count("opened") == 2, "after the time-out it is opened again"


def test_nobody_there_is_tried_with_growing_bounded_waits_until_given_up() -> None:
    with FrameStream(
        source_named("http://127.0.0.1:9/video"), waits_s=(0.05, 0.1, 0.2), give_up_s=1.0
    ) as stream:
        frames, events = fetch_all(stream)
    assert not frames and events[-1].kind == "gave-up"
    waits = [event.wait_s for event in events[:-1]]
    assert waits[:3] == [0.05, 0.1, 0.2] and set(waits[2:]) == {0.2}
    assert all("\n" not in event.text for event in events)


class Unplugged:
    """A camera that gives five frames, then is gone; each opening takes the next of ``faults`` first."""

    finite = False

    def __init__(self) -> None:
        self.left = 5

    def read(self) -> tuple[np.ndarray, None] | None:
        self.left -= 1
        time.sleep(0.01)
        return (numbered(self.left), None) if self.left >= 0 else None

    def remarks(self) -> list[str]:
        return []

    def close(self) -> None:
        self.left = -1


def test_a_webcam_unplugged_denied_and_busy_comes_back() -> None:
    faults = [None, "camera 0: permission denied", "camera 0: busy", None]

    def opener(source: Source, *, frame_rate: float) -> Unplugged:
        fault = faults.pop(0) if faults else None
        if fault:
            raise StreamFaultError(fault)
        return Unplugged()

    events: list[StreamEvent] = []
    with FrameStream(Source("camera", 0, "camera 0"), waits_s=(0.02,), opener=opener) as stream:
        until = time.monotonic() + 5
        while time.monotonic() < until and [e.kind for e in events].count("opened") < 2:
            stream.next_frame(0.05)
            events += stream.events()
    texts = [event.text for event in events]
    assert [event.kind for event in events][:4] == ["opened", "lost", "waiting", "waiting"]
    assert "permission denied" in texts[2] and "busy" in texts[3]


class Webcam:
    """Stands in for ``cv2.VideoCapture``: ``plan(k)`` is what read number k gives, None for nothing."""

    plan: Callable[[int], np.ndarray | None]
    openings = reads = 0

    def __init__(self, *_: object) -> None:
        type(self).openings += 1

    def isOpened(self) -> bool:  # noqa: N802
        return True

    def set(self, *_: object) -> bool:
        return True

    def get(self, _: int) -> float:
        return 0.0

    def release(self) -> None:
        pass

    def read(self) -> tuple[bool, np.ndarray | None]:
        image = type(self).plan(self.reads)
        type(self).reads += 1
        return image is not None, image


@pytest.fixture
def webcam(monkeypatch: pytest.MonkeyPatch) -> Callable[..., type[Webcam]]:
    def plugged(plan: Callable[[int], np.ndarray | None]) -> type[Webcam]:
        kind = type("Plugged", (Webcam,), {"plan": staticmethod(plan)})
        monkeypatch.setattr(cv2, "VideoCapture", kind)
        return kind

    monkeypatch.setattr(vision.readers, "_camera_problem", lambda index: None)
    monkeypatch.setattr(vision.readers, "MISS_WAIT_S", 0.001)
    return plugged


def read_camera(count: int) -> Iterator[np.ndarray]:
    reader = open_reader(source_named("0"))
    for _ in range(count):
        got = reader.read()
        assert got is not None
        yield got[0]


def test_a_camera_that_leaves_out_a_few_pictures_goes_on_without_being_opened_again(
    webcam: Callable[..., type[Webcam]],
) -> None:
    camera = webcam(lambda k: None if k < 3 or k % 5 == 0 else numbered(k))
    seen = [number_of(image) for image in read_camera(10)]
    assert seen == [k for k in range(3, 16) if k % 5][:10] and camera.openings == 1


def test_a_camera_that_gives_nothing_any_more_is_gone(webcam: Callable[..., type[Webcam]]) -> None:
    webcam(lambda k: numbered(k) if k < 2 else None)
    reader = open_reader(source_named("0"))
    assert reader.read() is not None and reader.read() is not None and reader.read() is None


@pytest.mark.parametrize(
    "as_given",
    [
        lambda image: cv2.cvtColor(image, cv2.COLOR_BGR2BGRA),
        lambda image: image.astype(np.uint16) * 257,
        lambda image: cv2.resize(image, (160, 480)),
    ],
    ids=["four channels", "16 bits", "another size"],
)
def test_a_camera_may_change_how_it_gives_its_pictures(
    as_given: Callable[[np.ndarray], np.ndarray], webcam: Callable[..., type[Webcam]]
) -> None:
    webcam(lambda k: as_given(numbered(k)) if k % 2 else numbered(k))
    for k, image in enumerate(read_camera(6)):
        assert (image.dtype, image.ndim, image.shape[2], number_of(image)) == (np.uint8, 3, 3, k)


def test_pictures_of_an_unknown_kind_are_one_line(webcam: Callable[..., type[Webcam]]) -> None:
    webcam(lambda k: numbered(k)[:, :, :2])
    with FrameStream(source_named("0")) as stream:
        frames, events = fetch_all(stream)
    assert not frames and [event.kind for event in events] == ["gave-up"] and "settings" in events[0].text


@pytest.mark.parametrize("channels", [0, 1, 3])
def test_grey_pictures_are_told_and_not_handed_over(
    channels: int, webcam: Callable[..., type[Webcam]]
) -> None:
    """A camera that sees by infrared at night: with the light its colours are back."""
    grey = cv2.cvtColor(numbered(5), cv2.COLOR_BGR2GRAY)
    night = grey if channels == 0 else np.repeat(grey[:, :, None], channels, axis=2)
    webcam(lambda k: numbered(7) if k < 5 or k > 60 else night)
    events: list[StreamEvent] = []
    with FrameStream(source_named("0"), waits_s=(0.01,)) as stream:
        until = time.monotonic() + 10
        while time.monotonic() < until and [e.kind for e in events].count("opened") < 2:
            frame = stream.next_frame(0.05)
            assert frame is None or number_of(frame.image_bgr) == 7
            events += stream.events()
    texts = [event.text for event in events]
    assert [event.kind for event in events][:2] == ["opened", "lost"] and "grey" in texts[1], texts


@pytest.mark.parametrize("kind", ["folder", "recording"])
@pytest.mark.parametrize("grey", [range(6), range(2, 5)], ids=["all", "some"])
def test_grey_frames_of_a_file_are_told_and_not_handed_over(tmp_path: Path, kind: str, grey: range) -> None:
    frames = [
        np.repeat(image[:, :, 1:2], 3, axis=2) if k in grey else image
        for k, image in enumerate(numbered(k) for k in range(6))
    ]
    if kind == "folder":
        for k, image in enumerate(frames):
            cv2.imwrite(str(tmp_path / f"{k}.png"), image)
    else:
        height, width = frames[0].shape[:2]
        clip = cv2.VideoWriter(
            str(tmp_path / "clip.avi"), cv2.VideoWriter.fourcc(*"MJPG"), 30, (width, height)
        )
        for image in frames:
            clip.write(image)
        clip.release()
    path = tmp_path if kind == "folder" else tmp_path / "clip.avi"
    with FrameStream(source_named(str(path)), pace="every") as stream:
        seen, events = fetch_all(stream)
    assert [number_of(frame.image_bgr) for frame in seen] == [k for k in range(6) if k not in grey]
    told = [event.text for event in events if event.kind in ("skipped", "gave-up")]
    assert len(told) == 1 and ("are grey" in told[0] if len(grey) == 6 else "3 frames" in told[0])


def test_a_covered_lens_is_not_taken_for_an_infrared_camera(webcam: Callable[..., type[Webcam]]) -> None:
    webcam(lambda k: np.full((48, 64, 3), 3, np.uint8))
    assert len(list(read_camera(3))) == 3


def test_a_camera_that_hangs_in_a_read_is_given_up(
    webcam: Callable[..., type[Webcam]], monkeypatch: pytest.MonkeyPatch
) -> None:
    over = threading.Event()
    monkeypatch.setattr(vision.stream, "HANGS_S", 0.3)
    webcam(lambda k: numbered(k) if k < 3 or over.wait(20) else None)
    with FrameStream(source_named("0"), stall_s=0.1, give_up_s=0.2) as stream:
        _, events = fetch_all(stream)
    over.set()
    assert (events[0].kind, events[-1].kind) == ("opened", "gave-up") and "no picture for" in events[-1].text


@pytest.mark.parametrize("hangs_in", ["opening", "opening again", "reading again"])
def test_a_camera_that_hangs_when_it_is_tried_is_given_up(
    hangs_in: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody waits at a terminal for what never comes."""
    over = threading.Event()
    monkeypatch.setattr(vision.stream, "HANGS_S", 0.3)
    openings: list[int] = []

    class Breaking(Unplugged):
        def read(self) -> tuple[np.ndarray, None] | None:
            if len(openings) > 1:
                over.wait(20)
            return None

    def opener(source: Source, *, frame_rate: float) -> Breaking:
        openings.append(1)
        if hangs_in == "opening" or (hangs_in == "opening again" and len(openings) > 1):
            over.wait(20)
        return Breaking()

    with FrameStream(source_named("0"), give_up_s=0.2, waits_s=(0.01,), opener=opener) as stream:
        assert stream.first_try() is False
        _, events = fetch_all(stream)
    over.set()
    assert events[-1].kind == "gave-up" and "no picture for" in events[-1].text


def test_a_decoder_that_blows_up_ends_the_stream_with_one_line() -> None:
    def opener(source: Source, *, frame_rate: float) -> Unplugged:
        raise RuntimeError("inside the decoder")

    with FrameStream(Source("camera", 0, "camera 0"), opener=opener) as stream:
        frames, events = fetch_all(stream)
    assert not frames and [event.kind for event in events] == ["gave-up"]


def test_what_is_told_while_the_news_is_read_is_heard_afterwards() -> None:
    stream = FrameStream(Source("camera", 0, "camera 0"))
    teller = threading.Thread(target=stream._tell, args=("gave-up", "camera 0: gone"))

    class Interrupted(deque):
        def clear(self) -> None:
            teller.start()
            teller.join(0.5)
            super().clear()

    stream._news = Interrupted()
    heard = stream.events()
    teller.join()
    stream._news = deque(stream._news)
    assert [event.kind for event in heard + stream.events()] == ["gave-up"]


def test_a_missing_webcam_is_a_line_not_an_error() -> None:
    with FrameStream(Source("camera", 97, "camera 97"), give_up_s=0.0) as stream:
        frames, events = fetch_all(stream)
    assert not frames and events[-1].kind == "gave-up" and "camera 97" in events[-1].text


def test_a_file_that_is_no_recording_is_one_line(tmp_path: Path) -> None:
    path = tmp_path / "talk.mp4"
    path.write_bytes(b"no moving pictures in here" * 100)
    with FrameStream(source_named(str(path))) as stream:
        frames, events = fetch_all(stream)
    assert not frames and [event.kind for event in events] == ["gave-up"]
    assert str(path) in events[0].text
