"""The answer on the photo: the grid that was found, the colours that were read, the panel beside it.

Lines are light with a dark casing, and every badge carries its colour's letter, so nothing depends on
telling colours apart. A badge split in two shows a sticker that was read as one colour (left) and
settled as another by the group (right).
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from vision.answer import Answer, Grid, Rows
from vision.lettering import BOLD, Colour, Lettering
from vision.panel import panel_image, stacked, sticker_rgb

SMALLEST_LONG_SIDE: Final = 960
_LIGHT: Final[Colour] = (255, 255, 255)
_DARK: Final[Colour] = (20, 22, 28)
_SHIFT: Final = 4


def annotated(image_bgr: NDArray[np.uint8], answer: Answer) -> NDArray[np.uint8]:
    """Photo, overlay and panel as one picture: uint8 (height, width, 3) in blue, green, red.

    ``image_bgr`` is the upright picture that ``answer`` was read from; it is left as it is. Pictures
    with a longer side under 960 pixels are drawn larger so that the text stays readable.
    """
    rows, cols = image_bgr.shape[:2]
    zoom = max(1.0, SMALLEST_LONG_SIDE / max(rows, cols))
    photo = marked_up(image_bgr, answer, zoom)
    rows, cols = photo.shape[:2]
    beside = cols >= rows
    unit = max(15, round(max(rows, cols) / 62))
    if beside:
        panel = panel_image(answer, round(unit * 27), unit, min_height=rows)
    else:
        unit = max(unit, round(cols / 40))
        panel = panel_image(answer, cols, unit)
    return stacked(photo, [panel], beside)


def marked_up(image_bgr: NDArray[np.uint8], answer: Answer, zoom: float) -> NDArray[np.uint8]:
    """The photo, ``zoom`` times larger, with the overlay, a small cube shown larger in a corner."""
    photo = overlaid(image_bgr, answer, zoom=zoom, least_radius=3.5)
    _inset(photo, image_bgr, answer, zoom)
    return photo


def _inset(photo: NDArray[np.uint8], image_bgr: NDArray[np.uint8], answer: Answer, zoom: float) -> None:
    """A cube that is small in its picture, drawn larger in the corner farthest from it."""
    import cv2

    grids = face_grids(answer)
    if not grids:
        return
    points = np.concatenate([grid.reshape(-1, 2) for grid in grids.values()])
    lowest, highest = points.min(axis=0), points.max(axis=0)
    rows, cols = photo.shape[:2]
    side = round(0.45 * min(rows, cols))
    reach = float((highest - lowest).max())
    if reach * zoom * 1.5 > side or reach < 8:
        return
    middle, half = (lowest + highest) / 2, 0.58 * reach
    left, upper = np.maximum(np.floor(middle - half), 0).astype(int)
    right, lower = np.ceil(middle + half).astype(int) + 1
    piece = np.ascontiguousarray(image_bgr[upper:lower, left:right])
    larger = overlaid(piece, answer.cropped(int(left), int(upper)), zoom=side / max(piece.shape[:2]))
    high, wide = larger.shape[:2]
    edge = max(2, round(max(rows, cols) / 400))
    x = edge if middle[0] * zoom > cols / 2 else cols - wide - edge
    y = edge if middle[1] * zoom > rows / 2 else rows - high - edge
    box = np.array([x, y, x + wide, y + high])
    if (box[:2] < highest * zoom).all() and (box[2:] > lowest * zoom).all():
        return  # it would hide the cube itself
    photo[y : y + high, x : x + wide] = larger
    cv2.rectangle(photo, (x - 1, y - 1), (x + wide, y + high), _DARK[::-1], 2 * edge)
    cv2.rectangle(photo, (x - 1, y - 1), (x + wide, y + high), _LIGHT[::-1], edge)


def overlaid(
    image_bgr: NDArray[np.uint8], answer: Answer, *, zoom: float = 1.0, least_radius: float = 1.5
) -> NDArray[np.uint8]:
    """The photo, ``zoom`` times larger, with the grid and the badges on it.

    A face whose badges would be smaller than ``least_radius`` pixels gets its outline alone.
    """
    import cv2

    photo = image_bgr.copy()
    if zoom != 1.0:
        photo = np.asarray(
            cv2.resize(image_bgr, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_CUBIC), np.uint8
        )
    stroke = max(1.0, max(photo.shape[:2]) / 900)
    grids = {face: _zoomed(grid, zoom) for face, grid in face_grids(answer).items()}
    for face in [face for face in "BLRFU" if face in grids]:
        fine = _badge_radius(grids[face]) >= least_radius
        _draw_grid(photo, grids[face], stroke, heavy=face == "U", lines=fine)
    for quad in answer.others:
        _line(photo, _zoomed(np.array([*quad, quad[0]]), zoom), stroke, dashed=True)
    if "U" in grids:
        _mark_front(photo, grids["U"], stroke)
    for face, grid in grids.items():
        read = answer.seen.get(face)
        settled = answer.state.facelets.get(face) if answer.state else None
        if read and _badge_radius(grid) >= least_radius:
            _draw_badges(photo, grid, read, settled, stroke, answer)
    return photo


def encoded(image_bgr: NDArray[np.uint8], suffix: str) -> bytes:
    """The picture as a file's bytes; ``suffix`` (".png", ".jpg", ".webp") says of which kind."""
    import cv2

    quality = [cv2.IMWRITE_JPEG_QUALITY, 92] if suffix.lower() in (".jpg", ".jpeg") else []
    done, packed = cv2.imencode(suffix.lower(), image_bgr, quality)
    if not done:
        raise ValueError(f"cannot write a picture as {suffix}")
    return packed.tobytes()


def face_grids(answer: Answer) -> dict[str, NDArray[np.float64]]:
    """Pixel nodes (n + 1, n + 1, 2) of every face in view; from the quad alone for the top if need be."""
    grids = {face: np.asarray(grid, np.float64) for face, grid in answer.grids.items()}
    if "U" not in grids and answer.top is not None and answer.size:
        grids["U"] = grid_of_quad(answer.top.quad_xy, answer.size)
    return grids


def grid_of_quad(quad_xy: Any, size: int) -> NDArray[np.float64]:
    """Nodes (size + 1, size + 1, 2) of a face from its corners TL, TR, BR, BL by their homography."""
    import cv2

    unit = np.array([[0, 0], [size, 0], [size, size], [0, size]], np.float32)
    homography = cv2.getPerspectiveTransform(unit, np.asarray(quad_xy, np.float32).reshape(4, 2))
    col, row = np.meshgrid(np.arange(size + 1.0), np.arange(size + 1.0))
    nodes = cv2.perspectiveTransform(np.stack([col, row], axis=-1).reshape(1, -1, 2), homography)
    return np.asarray(nodes, np.float64).reshape(size + 1, size + 1, 2)


def as_grid(nodes: NDArray[np.float64]) -> Grid:
    """Nodes as the nested tuples that an Answer keeps."""
    return tuple(tuple((float(x), float(y)) for x, y in row) for row in nodes)


def _zoomed(points_xy: NDArray[np.float64], zoom: float) -> NDArray[np.float64]:
    """Where OpenCV draws points of the answer in the photo made larger: it counts from a pixel's middle."""
    return points_xy * zoom - 0.5


def _fixed(points: NDArray[Any]) -> NDArray[np.int32]:
    return np.round(np.asarray(points, np.float64) * (1 << _SHIFT)).astype(np.int32)


def _line(
    photo: NDArray[np.uint8], points: NDArray[Any], width: float, *, casing: float = 2.2, dashed: bool = False
) -> None:
    import cv2

    runs = [points]
    if dashed:
        parts = [np.linspace(a, b, 16).reshape(8, 2, 2) for a, b in pairwise(points)]
        runs = [dash for part in parts for dash in part]
    for colour, wide in ((_DARK, width * casing), (_LIGHT, width)):
        for run in runs:
            cv2.polylines(photo, [_fixed(run)], False, colour[::-1], max(1, round(wide)), cv2.LINE_AA, _SHIFT)


def _badge_radius(grid: NDArray[np.float64]) -> float:
    """Radius of the badges in the middle of a face, in pixels."""
    k = (len(grid) - 1) // 2
    return 0.27 * _thickness(grid[k : k + 2, k : k + 2].reshape(4, 2))


def _draw_grid(
    photo: NDArray[np.uint8], grid: NDArray[np.float64], stroke: float, *, heavy: bool, lines: bool
) -> None:
    n = len(grid) - 1
    for k in range(1, n if lines else 1):
        _line(photo, grid[k], stroke * 0.8)
        _line(photo, grid[:, k], stroke * 0.8)
    edge = np.concatenate([grid[0], grid[1:, -1], grid[-1, -2::-1], grid[-2::-1, 0]])
    _line(photo, edge, stroke * (2.4 if heavy else 1.2), casing=1.8)


def _mark_front(photo: NDArray[np.uint8], top: NDArray[np.float64], stroke: float) -> None:
    """A thick bar on the middle third of the top face's front edge, as in the diagram."""
    front = top[-1]
    left, right = front[0], front[-1]
    bar = np.array([left + (right - left) * share for share in (0.34, 0.66)])
    _line(photo, bar, stroke * 5.5, casing=1.5)


def _draw_badges(
    photo: NDArray[np.uint8],
    grid: NDArray[np.float64],
    read: Rows,
    settled: Rows | None,
    stroke: float,
    answer: Answer,
) -> None:
    for row, names in enumerate(read):
        for col, name in enumerate(names):
            if name is None:
                continue
            corners = grid[row : row + 2, col : col + 2].reshape(4, 2)
            centre = corners.mean(axis=0)
            radius = 0.27 * _thickness(corners)
            if radius < 1.5:
                continue
            group = settled[row][col] if settled is not None and row < len(settled) else None
            final = group if group is not None else name
            rgb = (sticker_rgb(answer, name), sticker_rgb(answer, final))
            _badge(photo, centre, radius, (name, final), rgb, stroke)


def _thickness(corners: NDArray[np.float64]) -> float:
    """The smaller extent of a cell given as TL, TR, BL, BR: its area over its longer diagonal, doubled."""
    a, b = corners[3] - corners[0], corners[2] - corners[1]
    area = abs(a[0] * b[1] - a[1] * b[0]) / 2
    return float(area / max(np.hypot(*a), np.hypot(*b), 1e-6) * np.sqrt(2))


def _badge(
    photo: NDArray[np.uint8],
    centre: NDArray[np.float64],
    radius: float,
    names: tuple[str, str],
    rgb: tuple[Colour, Colour],
    stroke: float,
) -> None:
    """``names`` and ``rgb`` of the colour as read and as settled."""
    import cv2

    at, size = _fixed(centre), _fixed(np.array([radius]))[0]

    def disc(extra: float, colour: Colour) -> None:
        outer = int(_fixed(np.array([radius + extra]))[0])
        cv2.circle(photo, (int(at[0]), int(at[1])), outer, colour[::-1], -1, cv2.LINE_AA, _SHIFT)

    disc(2.2 * stroke, _DARK)
    disc(1.2 * stroke, _LIGHT)
    (read, settled), (read_rgb, settled_rgb) = names, rgb
    disc(0.0, settled_rgb)
    if read != settled:
        angle = np.linspace(np.pi / 2, 3 * np.pi / 2, 24)
        half = centre + radius * np.stack([np.cos(angle), np.sin(angle)], axis=1)
        cv2.fillPoly(photo, [_fixed(half)], read_rgb[::-1], cv2.LINE_AA, _SHIFT)
        cv2.polylines(
            photo, [_fixed(half[[0, -1]])], False, _DARK[::-1], max(1, round(stroke)), cv2.LINE_AA, _SHIFT
        )
    letters = round(radius * (1.35 if read == settled else 0.95))
    if letters < 8 or size <= 0:
        return
    if read == settled:
        Lettering(letters, BOLD, _letter_colour(read_rgb)).put_centred(photo, read[0].upper(), *centre)
    else:
        for name, own, side in ((read, read_rgb, -0.48), (settled, settled_rgb, 0.48)):
            how = Lettering(letters, BOLD, _letter_colour(own))
            how.put_centred(photo, name[0].upper(), centre[0] + side * radius, centre[1])


def _letter_colour(rgb: Colour) -> Colour:
    """Dark on light stickers, light on dark ones (luma of ITU-R BT.601)."""
    return _DARK if 0.299 * rgb[0] + 0.587 * rgb[1] + 0.114 * rgb[2] > 140 else _LIGHT
