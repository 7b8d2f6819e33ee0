"""A picture with a place in the patient, and the few strokes that are drawn into it (Pillow)."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from io import BytesIO
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from planner_core.exchange.pdf_page import FONTS
from planner_core.geometry.frames import FloatArray

# Okabe and Ito 2008 (https://jfly.uni-koeln.de/color/), told apart by colour-blind readers.
CANAL = (204, 121, 167)
ENVELOPE = (86, 180, 233)
WHISKER = (240, 228, 66)
BONE = (217, 210, 195)
FIXTURE = (255, 255, 255)
PLUMB = (170, 215, 240)
TEXT = (255, 255, 255)
EDGE = (0, 0, 0)

OVERSAMPLE = 2
"""Lines are drawn at this multiple and reduced, so that they are smooth."""

FONT_SHARE = 0.030
"""Height of the type as a share of the picture's height (our choice: 8 points when printed at 90 mm)."""

DASH_MM = (0.9, 0.6)
"""Stroke and gap of dashed lines, mm."""


@cache
def _font(size: int, bold: bool) -> ImageFont.FreeTypeFont:
    name = "DejaVuSansCondensed-Bold.ttf" if bold else "DejaVuSansCondensed.ttf"
    return ImageFont.truetype(str(FONTS / name), size)


class Canvas:
    """A picture of a section or strip; all places are LPS mm.

    Parameters
    ----------
    picture : uint8 array of shape (h, w, 3)
    frame : SectionFrame or Strip
        Anything with ``to_pixel(points) -> (row, column, depth)`` and ``pixel_mm``.
    """

    def __init__(self, picture: NDArray[np.uint8], frame: Any) -> None:
        self.frame = frame
        height, width = picture.shape[:2]
        image = Image.fromarray(picture)
        self._image = image.resize((width * OVERSAMPLE, height * OVERSAMPLE), Image.Resampling.BILINEAR)
        self._draw = ImageDraw.Draw(self._image)
        self._size = (width, height)
        self._type = max(9 * OVERSAMPLE, round(FONT_SHARE * height * OVERSAMPLE))
        self._halo = max(2, self._width(1.6))
        self._taken: list[tuple[float, float, float, float]] = []
        self._words: list[tuple[bool, float, float, str, tuple[int, int, int], bool]] = []

    def _at(self, points_lps_mm: FloatArray) -> FloatArray:
        """Pixel places (x, y) of points, shape (n, 2), in the oversampled picture."""
        places = np.atleast_2d(self.frame.to_pixel(np.atleast_2d(points_lps_mm)))
        return np.asarray((places[:, [1, 0]] + 0.5) * OVERSAMPLE)

    def _mm(self, length_mm: float) -> float:
        return length_mm / float(self.frame.pixel_mm) * OVERSAMPLE

    def _width(self, width: float) -> int:
        return max(1, round(width * OVERSAMPLE * max(self._size[1] / 760.0, 0.6)))

    def pieces(
        self, pieces_lps_mm: FloatArray, colour: tuple[int, int, int], width: float, dashed: bool = False
    ) -> None:
        """Draw line pieces of shape (n, 2, 3), joined where they meet so that dashes run through."""
        if not len(pieces_lps_mm):
            return
        ends = self._at(np.asarray(pieces_lps_mm).reshape(-1, 3)).reshape(-1, 2, 2)
        if not dashed:
            for a, b in ends:
                self._draw.line([*a, *b], fill=EDGE, width=self._width(width) + self._halo)
            for a, b in ends:
                self._draw.line([*a, *b], fill=colour, width=self._width(width))
            return
        for chain in joined(ends):
            self._dashes(chain, colour, width)

    def path(
        self,
        points_lps_mm: FloatArray,
        colour: tuple[int, int, int],
        width: float,
        dashed: NDArray[np.bool_] | None = None,
    ) -> None:
        """Draw a line through points; `dashed` tells for each point whether the line is broken there."""
        places = self._at(points_lps_mm)
        if dashed is None or not dashed.any():
            self._stroke([tuple(p) for p in places], colour, width)
            return
        starts = [0, *(np.flatnonzero(np.diff(dashed.astype(int))) + 1).tolist(), len(places) - 1]
        for a, b in pairwise(starts):
            if dashed[a]:
                self._dashes(places[a : b + 1], colour, width)
            else:
                self._stroke([tuple(p) for p in places[a : b + 1]], colour, width)

    def _dashes(self, places: FloatArray, colour: tuple[int, int, int], width: float) -> None:
        steps = np.linalg.norm(np.diff(places, axis=0), axis=1)
        along = np.concatenate([[0.0], np.cumsum(steps)])
        stroke, gap = self._mm(DASH_MM[0]), self._mm(DASH_MM[1])
        start = 0.0
        while start < along[-1]:
            wanted = np.linspace(start, min(start + stroke, along[-1]), 4)
            points = [
                (float(np.interp(w, along, places[:, 0])), float(np.interp(w, along, places[:, 1]))) for w in wanted
            ]
            self._stroke(points, colour, width)
            start += stroke + gap

    def _stroke(self, places: Sequence[tuple[float, ...]], colour: tuple[int, int, int], width: float) -> None:
        """Draw a line with a dark edge: it must show on black air and on white bone."""
        for fill, wide in ((EDGE, self._width(width) + self._halo), (colour, self._width(width))):
            self._draw.line(places, fill=fill, width=wide, joint="curve")

    def hatch(self, pieces_lps_mm: FloatArray, colour: tuple[int, int, int]) -> None:
        """Fill the inside of a closed outline with thin bands."""
        if not len(pieces_lps_mm):
            return
        ends = self._at(np.asarray(pieces_lps_mm).reshape(-1, 3))
        low, high = ends.min(axis=0), ends.max(axis=0)
        middle, half = (low + high) / 2.0, (high - low) / 2.0
        step = max(4.0, self._mm(0.6))
        for y in np.arange(low[1] + step / 2, high[1], step):
            reach = half[0] * np.sqrt(max(0.0, 1.0 - ((y - middle[1]) / max(half[1], 1e-6)) ** 2))
            self._draw.line([middle[0] - reach, y, middle[0] + reach, y], fill=colour, width=OVERSAMPLE)

    def dots(self, points_lps_mm: FloatArray, colour: tuple[int, int, int], radius_mm: FloatArray) -> None:
        """Draw a short bar of the tube's width at each point: the rings of a canal seen from the side."""
        if not len(points_lps_mm):
            return
        for (x, y), radius in zip(self._at(points_lps_mm), radius_mm, strict=True):
            reach = self._mm(float(radius))
            self._draw.line([x, y - reach, x, y + reach], fill=colour, width=self._width(2.0))

    def whisker(self, a_lps_mm: FloatArray, b_lps_mm: FloatArray, text: str, colour: tuple[int, int, int]) -> None:
        """Join two nearest points by a thin line with its length in mm."""
        a, b = self._at(np.stack([a_lps_mm, b_lps_mm]))
        self._stroke([tuple(a), tuple(b)], colour, 1.6)
        for x, y in (a, b):
            r = self._width(2.6)
            self._draw.ellipse([x - r, y - r, x + r, y + r], outline=colour, width=self._width(1.2))
        middle = (a + b) / 2.0
        self._say(middle[0] + self._type * 0.4, middle[1] - self._type * 0.6, text, colour, bold=True, first=True)

    def label(
        self,
        place_lps_mm: FloatArray,
        text: str,
        colour: tuple[int, int, int],
        below_mm: float = 0.0,
        bold: bool = False,
    ) -> None:
        """Write a word at a place, moved aside where another one stands."""
        x, y = self._at(np.asarray(place_lps_mm))[0]
        if not (0 <= x < self._size[0] * OVERSAMPLE and 0 <= y < self._size[1] * OVERSAMPLE):
            return
        self._say(x + self._type * 0.3, y + self._mm(below_mm), text, colour, bold)

    def edge(self, left: str, right: str) -> None:
        """Write what lies to the left and the right of the picture."""
        middle = self._size[1] * OVERSAMPLE * 0.5
        self._say(self._type * 0.4, middle, left, TEXT, bold=True)
        width = self._draw.textlength(right, font=_font(self._type, True))
        self._say(self._size[0] * OVERSAMPLE - width - self._type * 0.4, middle, right, TEXT, bold=True)

    def title(self, text: str) -> None:
        """Write the picture's title at its top."""
        self._say(self._type * 0.4, self._type * 0.3, text, TEXT, bold=True)

    def scale_bar(self, length_mm: float = 10.0) -> None:
        """Draw a bar of 10 mm with a tick every mm."""
        left, y = self._type * 0.6, self._size[1] * OVERSAMPLE - self._type * 0.7
        self._stroke([(left, y), (left + self._mm(length_mm), y)], TEXT, 2.0)
        for k in range(int(length_mm) + 1):
            tall = self._type * (0.45 if k % 5 == 0 else 0.25)
            x = left + self._mm(float(k))
            self._stroke([(x, y - tall), (x, y)], TEXT, 1.2)
        self._say(
            left + self._mm(length_mm) + self._type * 0.4, y - self._type * 0.9, f"{length_mm:.0f} mm", TEXT, False
        )

    def _say(
        self, x: float, y: float, text: str, colour: tuple[int, int, int], bold: bool, first: bool = False
    ) -> None:
        """Keep a word to be written when all lines are drawn; those marked `first` get their place first."""
        self._words.append((not first, x, y, text, colour, bold))

    def _write(self, x: float, y: float, text: str, colour: tuple[int, int, int], bold: bool) -> None:
        font = _font(self._type, bold)
        width = float(self._draw.textlength(text, font=font))
        edge_x, edge_y = self._size[0] * OVERSAMPLE, self._size[1] * OVERSAMPLE
        x = min(max(x, 2.0), edge_x - width - 2.0)
        y = min(max(y, 2.0), edge_y - self._type * 1.3)
        for _ in range(12):
            box = (x, y, x + width, y + self._type * 1.2)
            if all(box[2] < t[0] or box[0] > t[2] or box[3] < t[1] or box[1] > t[3] for t in self._taken):
                break
            y += self._type * 0.6
            if y > edge_y - self._type * 1.3:
                y = self._type * 1.6
        self._taken.append((x, y, x + width, y + self._type * 1.2))
        self._draw.text(
            (x, y),
            text,
            fill=colour,
            font=font,
            stroke_width=max(2, OVERSAMPLE + self._type // 14),
            stroke_fill=(0, 0, 0),
        )

    def png(self) -> bytes:
        """Give the picture as PNG."""
        for _, *word in sorted(self._words, key=lambda word: word[0]):
            self._write(*word)
        stream = BytesIO()
        self._image.resize(self._size, Image.Resampling.LANCZOS).save(stream, "PNG")
        return stream.getvalue()


def joined(pieces: FloatArray, reach: float = 0.75) -> list[FloatArray]:
    """Give line pieces of shape (n, 2, 2) joined end to end into longer lines."""
    left = list(range(len(pieces)))
    chains = []
    while left:
        first = left.pop()
        chain = [pieces[first][0], pieces[first][1]]
        turned = False
        while left:
            away = np.linalg.norm(pieces[left] - chain[-1], axis=2)
            k = int(np.argmin(away.min(axis=1)))
            if away[k].min() <= reach:
                chain.append(pieces[left[k]][1 - int(np.argmin(away[k]))])
                left.pop(k)
            elif turned:
                break
            else:  # the other end may go on
                chain.reverse()
                turned = True
        chains.append(np.array(chain))
    return chains
