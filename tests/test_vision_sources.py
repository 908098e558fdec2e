"""Photos in: orientation, depth and colour kinds, limits, and one clear line for what cannot be read."""

from __future__ import annotations

import json
import struct
import sys
import zlib
from contextlib import suppress
from io import BytesIO
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision.cli import run
from vision.headers import read_header
from vision.sources import (
    MAX_PIXELS,
    MAX_SIDE,
    MIN_SIDE,
    Photo,
    PictureError,
    decode_photo,
    load_photo,
    pictures_named,
)

SAMPLES = Path(__file__).parent.parent / "sample_images"

# Exif 2.32, 4.6.4 A, tag 0x0112: which visual side the stored 0th row and the stored 0th column are
EXIF_SIDES = {
    1: ("top", "left"),
    2: ("top", "right"),
    3: ("bottom", "right"),
    4: ("bottom", "left"),
    5: ("left", "top"),
    6: ("right", "top"),
    7: ("right", "bottom"),
    8: ("left", "bottom"),
}


def upright(height: int = 96, width: int = 160) -> np.ndarray:
    """Four flat quarters of different colour: every orientation looks different."""
    image = np.zeros((height, width, 3), np.uint8)
    image[: height // 2, : width // 2] = (40, 40, 200)
    image[: height // 2, width // 2 :] = (40, 200, 40)
    image[height // 2 :, : width // 2] = (200, 40, 40)
    image[height // 2 :, width // 2 :] = (220, 220, 220)
    return image


def stored_for(image: np.ndarray, orientation: int) -> np.ndarray:
    """The rows and columns as a camera stores them, from the table above."""
    row_side, col_side = EXIF_SIDES[orientation]
    if row_side in ("left", "right"):
        image = image.transpose(1, 0, 2)
    if row_side in ("bottom", "right"):
        image = image[::-1]
    if col_side in ("bottom", "right"):
        image = image[:, ::-1]
    return np.ascontiguousarray(image)


def exif_block(orientation: int) -> bytes:
    """A TIFF structure with the one tag 0x0112, a SHORT."""
    return b"MM\0*" + struct.pack(">IHHHIHHI", 8, 1, 0x0112, 3, 1, orientation, 0, 0)


def jpeg_with_exif(image: np.ndarray, orientation: int) -> bytes:
    data = encoded(image, ".jpg")
    body = b"Exif\0\0" + exif_block(orientation)
    return data[:2] + b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body + data[2:]


def png_with_exif(image: np.ndarray, orientation: int) -> bytes:
    data = encoded(image, ".png")
    body = b"eXIf" + exif_block(orientation)
    chunk = struct.pack(">I", len(body) - 4) + body + struct.pack(">I", zlib.crc32(body))
    return data[:33] + chunk + data[33:]  # after IHDR


def encoded(image: np.ndarray, suffix: str, *options: int) -> bytes:
    return bytes(cv2.imencode(suffix, image, options)[1])


def full_size_wh(photo: Photo) -> tuple[int, int]:
    rows, cols = photo.image_bgr.shape[:2]
    return cols * photo.reduction, rows * photo.reduction


def corner_colours(image: np.ndarray) -> np.ndarray:
    rows, cols = image.shape[:2]
    return np.array([image[rows // 4 * i, cols // 4 * j] for i in (1, 3) for j in (1, 3)], int)


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("make", [jpeg_with_exif, png_with_exif])
def test_every_exif_orientation_comes_out_upright(orientation: int, make) -> None:
    image = upright()
    photo = decode_photo(make(stored_for(image, orientation), orientation), name="x")
    assert photo.image_bgr.shape == image.shape
    assert full_size_wh(photo) == (160, 96)
    assert np.abs(corner_colours(photo.image_bgr) - corner_colours(image)).max() <= 12


@pytest.mark.parametrize("orientation", range(1, 9))
def test_every_orientation_of_an_avif_comes_out_upright(orientation: int) -> None:
    pytest.importorskip("PIL.AvifImagePlugin", reason="Pillow writes the boxes")
    pillow, image = pytest.importorskip("PIL.Image"), upright()
    stored, exif = pillow.fromarray(stored_for(image, orientation)[:, :, ::-1]), pillow.Exif()
    exif[0x0112] = orientation  # written as 'irot' and 'imir' boxes
    data = BytesIO()
    stored.save(data, "AVIF", quality=95, exif=exif.tobytes())
    for least_px in (None, 80):
        photo = decode_photo(data.getvalue(), name="x", min_long_side=least_px)
        assert full_size_wh(photo) == (160, 96)
        assert np.abs(corner_colours(photo.image_bgr) - corner_colours(image)).max() < 25


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize(
    ("kind", "how"), [("JPEG", {}), ("PNG", {}), ("WebP", {"lossless": True}), ("TIFF", {})]
)
def test_every_orientation_comes_out_as_pillow_turns_it(kind: str, how: dict, orientation: int) -> None:
    """On a photo, through ImageOps.exif_transpose."""
    pillow, ops = pytest.importorskip("PIL.Image"), pytest.importorskip("PIL.ImageOps")
    photo = pillow.open(SAMPLES / "04-size-3.jpg").reduce(4)
    exif = pillow.Exif()
    exif[0x0112] = orientation
    stored = pillow.fromarray(stored_for(np.asarray(photo), orientation))
    data = BytesIO()
    stored.save(data, kind, exif=exif.tobytes(), **({"lossless": True} if kind == "WebP" else {}))
    expected = np.asarray(ops.exif_transpose(pillow.open(data)))[:, :, ::-1]
    read = decode_photo(data.getvalue(), name="x").image_bgr
    assert read.shape == expected.shape and np.abs(read.astype(int) - expected).max() <= 2
    if kind != "JPEG":  # which loses a little, differently each way round
        assert np.array_equal(read, np.asarray(photo)[:, :, ::-1])


@pytest.mark.parametrize("kind", ["GIF", "PNG", "WebP", "AVIF"])
def test_of_an_animation_the_first_picture_is_read(kind: str) -> None:
    pillow = pytest.importorskip("PIL.Image")
    first = pillow.fromarray(upright()[:, :, ::-1])
    for others in ([], [first.rotate(180)]):
        data = BytesIO()
        first.save(data, kind, **({"save_all": True, "append_images": others} if others else {}))
        photo = decode_photo(data.getvalue(), name="x")
        assert photo.is_first == bool(others)
        assert np.abs(photo.image_bgr.astype(int) - upright()).mean() < 4
        for end in range(20, len(data.getvalue()), 7):  # cut short, it is still no more than a line
            with suppress(PictureError):
                decode_photo(data.getvalue()[:end], name="x")


def test_that_a_picture_moves_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pillow = pytest.importorskip("PIL.Image")
    first = pillow.fromarray(upright()[:, :, ::-1])
    first.save(tmp_path / "moves.gif", save_all=True, append_images=[first.rotate(180)])
    assert run(["read", str(tmp_path / "moves.gif"), "--json"]) == 4
    told = capsys.readouterr()
    assert told.err == f"lastlook: {tmp_path / 'moves.gif'}: an animation; its first picture alone is read\n"
    assert json.loads(told.out)["reason"] == "no-cube"


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
@pytest.mark.parametrize("make", [jpeg_with_exif, png_with_exif])
def test_reduced_decoding_stays_upright_and_keeps_the_side_asked_for(orientation: int, make) -> None:
    image = upright(480, 800)
    photo = decode_photo(make(stored_for(image, orientation), orientation), name="x", min_long_side=200)
    assert photo.reduction == 4
    assert photo.image_bgr.shape == (120, 200, 3)
    assert np.abs(corner_colours(photo.image_bgr) - corner_colours(image)).max() <= 12
    assert decode_photo(make(image, 1), name="x", min_long_side=500).reduction == 1


def test_reduction_lays_pixel_centres_where_scaled_answers_expect_them() -> None:
    """A blob's centroid, scaled by (x + 0.5) k - 0.5, must be the one of the full picture."""
    image = np.full((960, 1280, 3), 30, np.uint8)
    cv2.circle(image, (801, 437), 60, (220, 220, 220), -1)

    def centroid(pixels: np.ndarray) -> np.ndarray:
        moments = cv2.moments((pixels[:, :, 1] > 128).astype(np.uint8), binaryImage=True)
        return np.array([moments["m10"], moments["m01"]]) / moments["m00"]

    photo = decode_photo(encoded(image, ".jpg"), name="x", min_long_side=160)
    assert photo.reduction == 8
    full = (centroid(photo.image_bgr) + 0.5) * photo.reduction - 0.5
    assert np.abs(full - centroid(image)).max() < 0.5


def test_grey_and_16_bit_become_three_channels_of_8_bits() -> None:
    image = upright()
    grey = decode_photo(encoded(image[:, :, 0], ".png"), name="x").image_bgr
    assert grey.shape == image.shape and grey.dtype == np.uint8
    assert (grey == image[:, :, :1]).all()
    for suffix in (".png", ".tiff"):
        deep = decode_photo(encoded(image.astype(np.uint16) * 257, suffix), name="x").image_bgr
        assert deep.dtype == np.uint8 and np.abs(deep.astype(int) - image).max() <= 1


def netpbm(kind: int, maxval: int, *, note: bytes = b"# by hand\n") -> bytes:
    """A ramp over all levels 0..maxval, in colour with channels that differ (pgm and ppm of Netpbm)."""
    ramp = np.linspace(0, maxval, 64).round().astype(int)[None, :].repeat(40, axis=0)
    samples = np.stack([ramp, maxval - ramp, ramp // 2], axis=2) if kind in (3, 6) else ramp
    head = b"P%d\n%b64 40\n%d\n" % (kind, note, maxval)
    if kind in (2, 3):
        return head + b"\n".join(b" ".join(b"%d" % one for one in row.ravel()) for row in samples) + b"\n"
    return head + samples.astype(np.uint8 if maxval < 256 else ">u2").tobytes()


@pytest.mark.parametrize("maxval", [1, 15, 100, 254, 255, 256, 1000, 1023, 65534, 65535])
@pytest.mark.parametrize("kind", [2, 3, 5, 6], ids=["plain grey", "plain colour", "grey", "colour"])
def test_a_netpbm_has_the_levels_that_pillow_sees(kind: int, maxval: int) -> None:
    """Samples are proportional to the largest one that the file may hold (Netpbm pgm(5), ppm(5))."""
    pillow = pytest.importorskip("PIL.Image")
    data = netpbm(kind, maxval)
    seen = np.asarray(pillow.open(BytesIO(data)))
    if seen.dtype != np.uint8:  # deep grey, which it brings to 0..65535
        seen = seen / 257
    expected = seen[:, :, ::-1] if seen.ndim == 3 else np.repeat(seen[:, :, None], 3, axis=2)
    read = decode_photo(data, name="x").image_bgr
    assert read.dtype == np.uint8 and read.shape == expected.shape
    assert np.abs(read.astype(int) - expected).max() <= 1
    assert {0, 255} <= set(read[:, :, 2].ravel().tolist())
    reduced = decode_photo(data, name="x", min_long_side=32)
    assert reduced.reduction == 2 and reduced.image_bgr[:, -1, 2].min() > 240


@pytest.mark.parametrize("note", [b"", b"# a\n# b 7 7 7\n", b"# a\r", b"# a\r\n"])
def test_comments_in_a_netpbm_end_with_the_line(note: bytes) -> None:
    """With any of the line ends, as its documents say."""
    for maxval in (100, 255, 1000):
        read = decode_photo(netpbm(5, maxval, note=note), name="x").image_bgr
        assert read.shape == (40, 64, 3) and read[0, 0, 0] == 0 and read[0, -1, 0] == 255


@pytest.mark.parametrize("kind", [2, 3, 5, 6])
@pytest.mark.parametrize("maxval", [b"0", b"65536", b"999999999", b"much", b"-5"])
def test_a_netpbm_without_a_sound_largest_sample_is_refused_in_one_line(kind: int, maxval: bytes) -> None:
    data = b"P%d 64 40 %b\n" % (kind, maxval) + b"1 " * 64 * 40 * 6
    with pytest.raises(PictureError, match="save it again as PNG") as caught:
        decode_photo(data, name="x.ppm")
    assert_one_line(caught.value, "x.ppm")


def test_samples_beyond_the_largest_one_are_white() -> None:
    data = b"P5 64 40 100\n" + bytes([50]) * 64 * 39 + bytes([200]) * 64
    read = decode_photo(data, name="x").image_bgr
    assert (read[-1] == 255).all() and (abs(read[:-1].astype(int) - 127.5) <= 0.5).all()


def pam(samples: np.ndarray, maxval: int, kind: str = "", *, note: str = "") -> bytes:
    """A PAM (Netpbm pam(5)) of samples (height, width, depth)."""
    height, width, depth = samples.shape
    told = [f"DEPTH {depth}", f"MAXVAL {maxval}", *([f"TUPLTYPE {kind}"] if kind else [])]
    lines = ["P7", note or "# by hand", f"HEIGHT {height}", *told, f"WIDTH  {width}", "ENDHDR"]
    return "\n".join(lines).encode() + b"\n" + samples.astype(np.uint8 if maxval < 256 else ">u2").tobytes()


@pytest.mark.parametrize("maxval", [1, 100, 255, 256, 1023, 65535])
@pytest.mark.parametrize(
    ("depth", "kind"),
    [(1, "GRAYSCALE"), (2, "GRAYSCALE_ALPHA"), (3, "RGB"), (3, ""), (4, "RGB_ALPHA"), (4, "")],
)
def test_a_pam_shows_what_its_samples_show_in_other_kinds(depth: int, kind: str, maxval: int) -> None:
    """Without alpha the same samples as PGM or PPM, with alpha as PNG (W3C, 11.2.2: 16 bits, by parts)."""
    if maxval == 1 and depth == 1:
        kind = "BLACKANDWHITE"
    ramp = np.linspace(0, maxval, 64).round().astype(int)[None, :].repeat(40, axis=0)
    colour = np.stack([ramp, maxval - ramp, ramp // 2], axis=2) if depth > 2 else ramp[:, :, None]
    alpha = np.linspace(0, maxval, 40).round().astype(int)[:, None, None].repeat(64, axis=1)
    samples = np.concatenate([colour, alpha], axis=2) if depth in (2, 4) else colour
    read = decode_photo(pam(samples, maxval, kind), name="x").image_bgr
    if depth in (1, 3):
        expected = decode_photo(netpbm(6 if depth == 3 else 5, maxval), name="x").image_bgr
    else:
        bgr = colour[:, :, ::-1] if depth == 4 else colour.repeat(3, axis=2)
        deep = np.round(np.concatenate([bgr, alpha], axis=2) * (65535 / maxval)).astype(np.uint16)
        expected = decode_photo(encoded(deep, ".png"), name="x").image_bgr
    assert read.dtype == np.uint8 and read.shape == expected.shape == (40, 64, 3)
    assert np.abs(read.astype(int) - expected).max() <= 2


def test_a_pam_that_holds_no_picture_is_refused_in_one_line() -> None:
    fine = pam(np.full((40, 64, 3), 90), 255, "RGB")
    for wrong in (
        fine[:-1],
        fine.replace(b"DEPTH 3", b"DEPTH 5"),
        fine.replace(b"TUPLTYPE RGB", b"TUPLTYPE CMYK"),
        fine.replace(b"MAXVAL 255", b"MAXVAL 0"),
        fine.replace(b"MAXVAL 255", b"MAXVAL 65536"),
        fine.replace(b"DEPTH 3\n", b""),
        fine.replace(b"WIDTH  64\n", b""),
        fine.replace(b"ENDHDR", b"#"),
        b"P7\n" + b"#" * 5000 + fine[3:],
    ):
        with pytest.raises(PictureError, match=r"save it again") as caught:
            decode_photo(wrong, name="x.pam")
        assert_one_line(caught.value, "x.pam")
    too_large = fine.replace(b"WIDTH  64", b"WIDTH 30000").replace(b"HEIGHT 40", b"HEIGHT 30000")
    with pytest.raises(PictureError, match="megapixels"):
        decode_photo(too_large, name="x.pam")


def test_floating_point_tiff_holds_0_to_1() -> None:
    image = upright()
    read = decode_photo(encoded(image.astype(np.float32) / 255, ".tiff"), name="x").image_bgr
    assert np.abs(read.astype(int) - image).max() <= 1


@pytest.mark.parametrize("suffix", [".png", ".webp"])
def test_alpha_is_laid_over_middle_grey(suffix: str) -> None:
    image = upright()
    alpha = np.full((*image.shape[:2], 1), 255, np.uint8)
    alpha[:48] = 0
    options = (cv2.IMWRITE_WEBP_QUALITY, 101) if suffix == ".webp" else ()
    read = decode_photo(encoded(np.concatenate([image, alpha], axis=2), suffix, *options), name="x").image_bgr
    assert read.shape == image.shape
    assert (read[:46] == 118).all()
    assert np.abs(read[50:].astype(int) - image[50:]).max() <= 2


def test_a_turned_picture_with_alpha_stays_upright() -> None:
    image = np.concatenate([upright(), np.full((96, 160, 1), 128, np.uint8)], axis=2)
    for orientation in (3, 6):
        read = decode_photo(png_with_exif(stored_for(image, orientation), orientation), name="x").image_bgr
        assert (read == upright()).all()


def test_alpha_of_all_zeros_was_never_meant() -> None:
    image = np.concatenate([upright(), np.zeros((96, 160, 1), np.uint8)], axis=2)
    assert (decode_photo(encoded(image, ".png"), name="x").image_bgr == upright()).all()


def test_cmyk_jpeg_has_the_right_colours() -> None:
    pillow = pytest.importorskip("PIL.Image", reason="Pillow writes the CMYK file")
    buffer = BytesIO()
    pillow.fromarray(upright()[:, :, ::-1]).convert("CMYK").save(buffer, "JPEG", quality=95)
    read = decode_photo(buffer.getvalue(), name="x").image_bgr
    assert np.abs(corner_colours(read) - corner_colours(upright())).max() <= 12


def test_heic_is_read_with_the_extra(tmp_path: Path) -> None:
    heif = pytest.importorskip("pillow_heif")
    path = tmp_path / "x.heic"
    heif.from_bytes("RGB", (160, 96), upright()[:, :, ::-1].tobytes()).save(path, quality=95)
    photo = load_photo(str(path))
    assert full_size_wh(photo) == (160, 96)
    assert np.abs(corner_colours(photo.image_bgr) - corner_colours(upright())).max() <= 16
    cut = path.read_bytes()
    with pytest.raises(PictureError, match="cut short or damaged"):
        decode_photo(cut[: len(cut) // 2], name="x.heic")


def test_a_grey_heic_is_read_like_any_grey_picture(tmp_path: Path) -> None:
    heif = pytest.importorskip("pillow_heif")
    grey, path = upright()[:, :, 1], tmp_path / "x.heic"
    heif.from_bytes("L", (160, 96), grey.tobytes()).save(path, quality=95)
    image = load_photo(str(path)).image_bgr
    assert image.shape == (96, 160, 3) and (image == image[:, :, :1]).all()
    assert np.abs(image[:, :, 0].astype(int) - grey).mean() < 3


def test_heic_without_the_extra_names_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pillow_heif", None)
    ispe = b"ispe" + bytes(4) + struct.pack(">II", 4000, 3000)
    with pytest.raises(PictureError, match=r"heic.*\[heic\]") as caught:
        decode_photo(struct.pack(">I", 24) + b"ftypheic" + bytes(4) + b"mif1heic" + ispe, name="x.heic")
    assert_one_line(caught.value, "x.heic")


@pytest.mark.parametrize(
    ("suffix", "kind"),
    [(".jpg", "JPEG"), (".png", "PNG"), (".webp", "WebP"), (".bmp", "BMP"), (".tiff", "TIFF"),
     (".gif", "GIF"),
     (".ppm", "Netpbm"), (".pgm", "Netpbm"), (".avif", "AVIF")],
)  # fmt: skip
@pytest.mark.parametrize(("height", "width"), [(40, 64), (201, 33)])
def test_header_agrees_with_what_opencv_wrote(suffix: str, kind: str, height: int, width: int) -> None:
    image = upright(height, width)
    data = encoded(image[:, :, 0] if suffix == ".pgm" else image, suffix)
    header = read_header(data)
    assert header is not None and (header.kind, header.width, header.height) == (kind, width, height)
    assert decode_photo(data, name="x").image_bgr.shape == (height, width, 3)


def test_lossy_lossless_and_alpha_webp_are_all_measured() -> None:
    image = upright()
    alpha = np.concatenate([image, np.full((96, 160, 1), 90, np.uint8)], axis=2)
    for data in (encoded(image, ".webp", cv2.IMWRITE_WEBP_QUALITY, 80),
                 encoded(image, ".webp", cv2.IMWRITE_WEBP_QUALITY, 101),
                 encoded(alpha, ".webp")):  # fmt: skip
        header = read_header(data)
        assert header is not None and (header.width, header.height) == (160, 96)


def huge_headers() -> dict[str, bytes]:
    """Headers that claim 30,000 x 30,000 pixels, with nothing to speak of behind them."""
    png = bytearray(encoded(upright(), ".png"))
    png[16:24] = struct.pack(">II", 30000, 30000)
    png[29:33] = struct.pack(">I", zlib.crc32(bytes(png[12:29])))
    jpeg = bytearray(encoded(upright(), ".jpg"))
    frame = jpeg.index(b"\xff\xc0")
    jpeg[frame + 5 : frame + 9] = struct.pack(">HH", 30000, 30000)
    bmp = bytearray(encoded(upright(), ".bmp"))
    bmp[18:26] = struct.pack("<ii", 30000, -30000)
    gif = bytearray(encoded(upright(), ".gif"))
    gif[6:10] = struct.pack("<HH", 30000, 30000)
    tiff = b"II*\0" + struct.pack("<IHHHIIHHIII", 8, 2, 256, 4, 1, 30000, 257, 4, 1, 30000, 0)
    big = b"MM\0+" + struct.pack(">HHQQ", 8, 0, 16, 2)
    big += struct.pack(">HHQQHHQQ", 256, 16, 1, 30000, 257, 16, 1, 30000)
    webp = b"RIFF" + struct.pack("<I", 30) + b"WEBPVP8X" + struct.pack("<I", 10) + bytes(4)
    webp += (29999).to_bytes(3, "little") * 2
    return {"png": bytes(png), "jpg": bytes(jpeg), "bmp": bytes(bmp), "gif": bytes(gif), "tif": tiff,
            "bigtiff": big, "webp": webp, "ppm": b"P6\n# by hand\n30000 30000\n255\n"}  # fmt: skip


@pytest.mark.parametrize("kind", sorted(huge_headers()))
def test_a_huge_header_is_refused_before_decoding(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def never(*_: object) -> None:
        raise AssertionError("decoded")

    monkeypatch.setattr(cv2, "imdecode", never)
    with pytest.raises(PictureError, match="30000 x 30000") as caught:
        decode_photo(huge_headers()[kind], name=f"x.{kind}")
    assert str(MAX_PIXELS // 10**6) in str(caught.value)
    assert_one_line(caught.value, f"x.{kind}")


def bad_files(folder: Path) -> dict[str, str]:
    """Name -> what the line must say."""
    beyond = b"II+\0" + struct.pack("<HHQ", 8, 0, 2**64 - 1) + bytes(64)
    jpeg, png = encoded(upright(), ".jpg"), encoded(upright(), ".png")
    zero = bytearray(png)
    zero[16:24] = bytes(8)
    zero[29:33] = struct.pack(">I", zlib.crc32(bytes(zero[12:29])))
    files = {
        "text.jpg": (b"this is a note, not a photo\n", "no picture of a kind"),
        "empty.jpg": (b"", "empty"),
        "cut.jpg": (jpeg[: len(jpeg) * 6 // 10], "cut short"),
        "cut-in-header.jpg": (jpeg[:30], "cut short"),
        "cut.png": (png[: len(png) * 6 // 10], "cut short"),
        "zero.png": (bytes(zero), "0 x 0"),
        "dot.png": (encoded(upright()[:1, :1], ".png"), "1 x 1"),
        "beyond.tif": (beyond, "cut short or damaged"),
        "clip.jpg": (b"\0\0\0\x18ftypisom" + bytes(40), "recording"),
    }
    for name, (data, _) in files.items():
        (folder / name).write_bytes(data)
    return {name: words for name, (_, words) in files.items()}


def assert_one_line(error: PictureError, name: str, status: int = 1) -> None:
    assert "\n" not in str(error) and str(error).startswith(name)
    assert error.exit_status == status


def test_bad_files_are_one_clear_line_each(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    for name, words in bad_files(tmp_path).items():
        path = str(tmp_path / name)
        with pytest.raises(PictureError, match=words) as caught:
            load_photo(path)
        assert_one_line(caught.value, path)
    for path, words in ((str(tmp_path / "missing.jpg"), "no such file"), (str(tmp_path), "folder")):
        with pytest.raises(PictureError, match=words) as caught:
            load_photo(path)
        assert_one_line(caught.value, path, status=2)
    assert capfd.readouterr() == ("", "")  # the decoder's own complaints stay inside


@pytest.mark.parametrize("suffix", [".png", ".jpg"])
def test_the_decoders_say_nothing_of_their_own(suffix: str, capfd: pytest.CaptureFixture[str]) -> None:
    """libpng and libjpeg write to descriptor 2 themselves, past sys.stderr."""
    data = encoded(np.random.default_rng(4).integers(0, 256, (64, 64, 3)).astype(np.uint8), suffix)
    for at in range(len(data) // 2, len(data), 97):
        try:
            decode_photo(data[:at] + bytes([data[at] ^ 255]) + data[at + 1 :], name="x")
        except PictureError as error:
            assert_one_line(error, "x")
    captured = capfd.readouterr()
    assert captured.out == captured.err == ""


@pytest.mark.parametrize("wh", [(MAX_SIDE + 1, MIN_SIDE), (MIN_SIDE, MAX_SIDE + 1), (3_000_000, MIN_SIDE)])
def test_a_strip_that_is_too_long_is_refused_for_its_length(wh: tuple[int, int]) -> None:
    assert wh[0] * wh[1] < MAX_PIXELS
    data = encoded(np.zeros((1, 1), np.uint8), ".png")
    head = b"IHDR" + struct.pack(">II", *wh) + data[24:29]
    data = data[:12] + head + struct.pack(">I", zlib.crc32(head)) + data[33:]
    with pytest.raises(PictureError, match=rf"{wh[0]} x {wh[1]} pixels.*{MAX_SIDE:,}") as caught:
        decode_photo(data, name="x.png")
    assert_one_line(caught.value, "x.png")


@pytest.mark.parametrize("wh", [(MAX_SIDE, MIN_SIDE), (MIN_SIDE, MAX_SIDE)])
def test_the_longest_strip_is_read(wh: tuple[int, int]) -> None:
    photo = decode_photo(encoded(np.zeros(wh[::-1], np.uint8), ".png"), name="x")
    assert photo.image_bgr.shape == (*wh[::-1], 3)  # and is sampled:
    cv2.remap(photo.image_bgr, np.zeros((1, 1, 2), np.float32), None, cv2.INTER_LINEAR)


def test_folders_open_into_their_pictures(tmp_path: Path) -> None:
    for name in ("b.png", "a.JPG", "notes.txt"):
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / "deeper.jpg").mkdir()
    assert list(pictures_named([str(tmp_path), "-", "other.png"])) == [
        str(tmp_path / "a.JPG"), str(tmp_path / "b.png"), "-", "other.png"]  # fmt: skip
    empty = tmp_path / "deeper.jpg"
    (only,) = pictures_named([str(empty)])
    assert isinstance(only, PictureError) and "no picture in this folder" in str(only)


def test_standard_input(monkeypatch: pytest.MonkeyPatch) -> None:
    class Input:
        buffer = BytesIO(encoded(upright(), ".png"))

    monkeypatch.setattr(sys, "stdin", Input)
    assert (load_photo("-").image_bgr == upright()).all()
    with pytest.raises(PictureError, match="nothing came"):
        load_photo("-")


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_no_damage_ends_in_anything_but_a_picture_or_one_line(data: st.DataObject) -> None:
    suffix = data.draw(st.sampled_from([".jpg", ".png", ".webp", ".bmp", ".tiff", ".gif", ".ppm"]))
    whole = bytearray(encoded(upright(), suffix))
    for _ in range(data.draw(st.integers(0, 4))):
        whole[data.draw(st.integers(0, min(len(whole) - 1, 400)))] = data.draw(st.integers(0, 255))
    cut = bytes(whole[: data.draw(st.integers(1, len(whole)))])
    try:
        photo = decode_photo(cut, name="x")
    except PictureError as error:
        assert "\n" not in str(error)
    else:
        assert photo.image_bgr.dtype == np.uint8 and photo.image_bgr.shape[2] == 3


STARTS = [
    b"",
    b"\xff\xd8\xff",
    b"\x89PNG\r\n\x1a\n",
    b"RIFF\0\0\0\0WEBPVP8 ",
    b"GIF89a",
    b"BM\0\0\0\0\0\0\0\0",
]
STARTS += [b"II*\0", b"MM\0*", b"II+\0\x08\0\0\0", b"MM\0+\0\x08\0\0", b"P6\n", b"\0\0\0\x18ftypheic"]


@given(
    st.sampled_from(STARTS), st.binary(max_size=200) | st.binary(max_size=40).map(lambda b: b"\xff" * 8 + b)
)
def test_headers_of_any_bytes(start: bytes, rest: bytes) -> None:
    header = read_header(start + rest)
    assert header is None or header.width is None or header.width >= 0


@pytest.mark.parametrize("start", [b"P6", b"P5 9", b"P7\nWIDTH"])
@pytest.mark.parametrize("between", [b" ", b"\r\n", b" #\n"])
def test_a_netpbm_without_a_size_is_told_at_once(start: bytes, between: bytes) -> None:
    """The white space before a size may be parted in 2**2000 ways; none of them needs to be tried."""
    header = read_header(start + between * 2000)
    assert header is not None and header.width is None
