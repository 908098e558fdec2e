"""The kind and size of a picture, from its first bytes, so that nothing is decoded unmeasured.

Byte layouts from the formats' own documents: JPEG ITU-T T.81 B.2.2, PNG (W3C) 11.2.2, WebP RFC 9649,
TIFF 6.0 section 2, GIF89a section 18, BMP BITMAPINFOHEADER, Netpbm pgm/ppm/pam, HEIF ISO/IEC 23008-12
6.5.3, 6.5.10 and 6.5.12.
"""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass

from vision.netpbm import pam_header

_JPEG_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_HEIC_BRANDS = frozenset({b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"})
_AVIF_BRANDS = frozenset({b"avif", b"avis"})


@dataclass(frozen=True, slots=True)
class Header:
    """``kind`` names the format; ``width`` and ``height`` in pixels as stored, None when damaged."""

    kind: str
    width: int | None
    height: int | None


def read_header(data: bytes) -> Header | None:
    """The header of a whole file's bytes, or None when no known kind of picture starts like this.

    ``kind`` is JPEG, PNG, WebP, BMP, TIFF, GIF, Netpbm, HEIC, AVIF or "recording".
    """
    for kind, matches, measure in _KINDS:
        if matches(data):
            try:
                width, height = measure(data)
            except (struct.error, IndexError, ValueError, OverflowError):  # or a place beyond any file
                return Header(kind, None, None)
            return Header(kind, width, height)
    return None


def may_have_alpha(kind: str, data: bytes) -> bool:
    """Whether a file of this kind may hold an alpha channel; false is certain, true is not."""
    if kind == "PNG":  # colour types 4 and 6, or a transparent colour
        return data[25] in (4, 6) or b"tRNS" in data[:65536]
    if kind == "WebP":  # a flag in the extended header, or the lossless format
        return data[12:16] == b"VP8L" or (data[12:16] == b"VP8X" and bool(data[20] & 0x10))
    if kind == "BMP":
        return data[28] == 32
    return kind in ("TIFF", "AVIF")


def is_animation(kind: str, data: bytes) -> bool:
    """Whether a file of this kind holds more than one picture, to be shown one after the other."""
    try:
        if kind == "GIF":
            return _gif_has_more(data)
        if kind == "PNG":  # "acTL" stands before the first "IDAT" (PNG, third edition, 5.6)
            return data.find(b"acTL", 0, max(data.find(b"IDAT"), 0)) >= 0
        if kind == "WebP":  # a flag in the extended header
            return data[12:16] == b"VP8X" and bool(data[20] & 0x02)
    except IndexError:  # cut short
        return False
    return kind == "AVIF" and b"avis" in _brands(data)


def _gif_has_more(data: bytes) -> bool:
    """Whether a second image descriptor follows the first image's blocks (GIF89a, appendix B)."""
    at = 13 + _colour_table(data[10])
    images = 0
    while images < 2 and data[at] in (0x21, 0x2C):
        if data[at] == 0x2C:
            images += 1
            at += 11 + _colour_table(data[at + 9])
        else:
            at += 2
        while data[at]:
            at += 1 + data[at]
        at += 1
    return images == 2


def _colour_table(packed: int) -> int:
    """Bytes of a GIF's colour table, from the byte that tells of it."""
    return 3 << (packed & 7) + 1 if packed & 0x80 else 0


def _jpeg(data: bytes) -> tuple[int, int]:
    at = 2
    while True:
        while data[at] != 0xFF:
            at += 1
        while data[at] == 0xFF:
            at += 1
        marker = data[at]
        at += 1
        if marker in _JPEG_FRAMES:
            height, width = struct.unpack_from(">HH", data, at + 3)
            return width, height
        if marker in (0xD9, 0xDA):
            raise ValueError("no frame before the scan")
        if marker == 0x01 or 0xD0 <= marker <= 0xD8:
            continue
        at += struct.unpack_from(">H", data, at)[0]


def _png(data: bytes) -> tuple[int, int]:
    width, height = struct.unpack_from(">II", data, 16)
    return width, height


def _gif(data: bytes) -> tuple[int, int]:
    width, height = struct.unpack_from("<HH", data, 6)
    return width, height


def _bmp(data: bytes) -> tuple[int, int]:
    if struct.unpack_from("<I", data, 14)[0] == 12:  # the oldest header has 16-bit sizes
        width, height = struct.unpack_from("<HH", data, 18)
        return width, height
    width, height = struct.unpack_from("<ii", data, 18)
    return abs(width), abs(height)  # a negative height means top row first


def _webp(data: bytes) -> tuple[int, int]:
    chunk = data[12:16]
    if chunk == b"VP8X":
        width = int.from_bytes(data[24:27], "little") + 1
        height = int.from_bytes(data[27:30], "little") + 1
        return width, height
    if chunk == b"VP8L":
        bits = struct.unpack_from("<I", data, 21)[0]
        return (bits & 0x3FFF) + 1, (bits >> 14 & 0x3FFF) + 1
    if chunk == b"VP8 ":
        width, height = struct.unpack_from("<HH", data, 26)
        return width & 0x3FFF, height & 0x3FFF
    raise ValueError("no picture chunk")


def _tiff(data: bytes) -> tuple[int, int]:
    """Sizes of the first directory; BigTIFF (version 43) has 8-byte offsets and counts."""
    order = "<" if data[:2] == b"II" else ">"
    big = struct.unpack_from(order + "H", data, 2)[0] == 43
    at = struct.unpack_from(order + ("Q" if big else "I"), data, 8 if big else 4)[0]
    count = struct.unpack_from(order + ("Q" if big else "H"), data, at)[0]
    at += 8 if big else 2
    sizes: dict[int, int] = {}
    for entry in range(at, at + min(count, 4096) * (20 if big else 12), 20 if big else 12):
        tag, kind = struct.unpack_from(order + "HH", data, entry)
        if tag in (256, 257):
            code = {1: "B", 3: "H", 4: "I", 16: "Q"}[kind] if kind in (1, 3, 4, 16) else "I"
            sizes[tag] = struct.unpack_from(order + code, data, entry + (12 if big else 8))[0]
    if len(sizes) < 2:
        raise ValueError("no size in the first directory")
    return sizes[256], sizes[257]


def _netpbm(data: bytes) -> tuple[int, int]:
    if data[:2] == b"P7":
        pam = pam_header(data)
        return pam.width, pam.height
    found = re.match(rb"P[1-6]" + (rb"(?:\s|#[^\r\n]*[\r\n])+(\d{1,9})") * 2 + rb"\s", data[:4096])
    if not found:
        raise ValueError("no size")
    return int(found[1]), int(found[2])


def _heif(data: bytes) -> tuple[int, int]:
    """The largest 'ispe' property; tiles and thumbnails have their own, smaller ones."""
    sizes = []
    for found in re.finditer(rb"ispe", data[: 1 << 20]):
        width, height = struct.unpack_from(">II", data, found.end() + 4)
        sizes.append((width * height, width, height))
    if not sizes:
        raise ValueError("no size")
    return max(sizes)[1:]


def turned_by(data: bytes) -> tuple[int, int | None]:
    """How an AVIF is to be shown: quarter turns counter-clockwise (0..3), then the mirroring.

    The mirroring is 0 for top and bottom exchanged, 1 for left and right exchanged, None for none. Read
    from the boxes 'irot' and 'imir' among the item properties ('ipco').
    """
    start = data.find(b"ipco", 0, 1 << 20)
    if start < 4:
        return 0, None
    end = start - 4 + int.from_bytes(data[start - 4 : start], "big")
    turns, mirror = 0, None
    at = start + 4
    while at + 8 <= min(end, len(data)):
        length = int.from_bytes(data[at : at + 4], "big")
        if data[at + 4 : at + 9].startswith(b"irot") and length == 9:
            turns = data[at + 8] & 3
        elif data[at + 4 : at + 9].startswith(b"imir") and length == 9:
            mirror = data[at + 8] & 1
        at += max(length, 8)
    return turns, mirror


def _brands(data: bytes) -> frozenset[bytes]:
    if data[4:8] != b"ftyp":
        return frozenset()
    end = min(int.from_bytes(data[:4], "big"), 256)
    return frozenset([data[8:12], *(data[at : at + 4] for at in range(16, end, 4))])


def _is_recording(data: bytes) -> bool:
    return (
        data[4:8] == b"ftyp"
        or (data[:4] == b"RIFF" and data[8:12] == b"AVI ")
        or data[:4] == b"\x1a\x45\xdf\xa3"
    )


def _no_size(_: bytes) -> tuple[int, int]:
    raise ValueError("a recording is measured elsewhere")


_KINDS = (
    ("JPEG", lambda d: d[:3] == b"\xff\xd8\xff", _jpeg),
    ("PNG", lambda d: d[:8] == b"\x89PNG\r\n\x1a\n", _png),
    ("WebP", lambda d: d[:4] == b"RIFF" and d[8:12] == b"WEBP", _webp),
    ("GIF", lambda d: d[:6] in (b"GIF87a", b"GIF89a"), _gif),
    ("TIFF", lambda d: d[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"), _tiff),
    ("AVIF", lambda d: bool(_brands(d) & _AVIF_BRANDS), _heif),
    ("HEIC", lambda d: bool(_brands(d) & _HEIC_BRANDS), _heif),
    ("BMP", lambda d: d[:2] == b"BM" and d[6:10] == bytes(4), _bmp),
    ("Netpbm", lambda d: bool(re.match(rb"P[1-7][\s#]", d)), _netpbm),
    ("recording", _is_recording, _no_size),
)
