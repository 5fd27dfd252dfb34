"""Lines, letters and legends drawn over a photograph."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from ...base.files import write_whole
from ..look import (
    INK,
    font_path,
)

_FINE = 3  # lines and letters are drawn this much finer and averaged down


class Overlay:
    """Lines and letters over a picture, drawn finer and averaged down. All measures are the picture's pixels."""

    def __init__(self, picture: np.ndarray) -> None:
        self._picture = Image.fromarray(picture).convert("RGB")
        size = (self._picture.width * _FINE, self._picture.height * _FINE)
        self._layer = Image.new("RGBA", size, (0, 0, 0, 0))
        self._draw = ImageDraw.Draw(self._layer)

    @property
    def size(self) -> tuple[int, int]:
        return self._picture.width, self._picture.height

    def line(self, points: np.ndarray, colour: str, width: float, dash: tuple[float, float] | None = None) -> None:
        """A polyline through (k, 2) points; dash is the length drawn and the length left out."""
        for part in dashes(np.asarray(points, float), dash) if dash else [np.asarray(points, float)]:
            at = [tuple(p) for p in part * _FINE]
            if len(at) > 1:
                self._draw.line(at, fill=colour, width=max(1, round(width * _FINE)), joint="curve")
                self._round_ends(at, colour, width)

    def _round_ends(self, at: list[tuple], colour: str, width: float) -> None:
        r = width * _FINE / 2
        if r >= 1:
            for x, y in (at[0], at[-1]):
                self._draw.ellipse((x - r, y - r, x + r, y + r), fill=colour)

    def text(
        self,
        x: float,
        y: float,
        words: str,
        size: float,
        weight: str = "regular",
        colour: str = INK,
        anchor="ls",
        clear: bool = False,
    ) -> None:
        """Words with the anchor (PIL's two letters: left middle right, ascender middle baseline) at x, y.

        clear : what was drawn over the picture there before is taken away, so that no line runs through them.
        """
        if clear:
            box = self._draw.textbbox((x * _FINE, y * _FINE), words, font=_font(weight, size), anchor=anchor)
            edge = np.array([-1, -1, 1, 1]) * 0.25 * size * _FINE
            self._draw.rectangle(tuple(np.array(box) + edge), fill=(0, 0, 0, 0))
        self._draw.text((x * _FINE, y * _FINE), words, font=_font(weight, size), fill=colour, anchor=anchor)

    def width_of(self, words: str, size: float, weight: str = "regular") -> float:
        return float(_font(weight, size).getlength(words)) / _FINE

    def box(self, x0: float, y0: float, x1: float, y1: float, colour: str) -> None:
        self._draw.rectangle([v * _FINE for v in (x0, y0, x1, y1)], fill=colour)

    def badge(self, x: float, y: float, words: str, size: float = 15) -> None:
        """A numbered dot."""
        r = size * 0.78 * _FINE
        cx, cy = x * _FINE, y * _FINE
        self._draw.ellipse((cx - r, cy - r, cx + r, cy + r), fill=INK, outline="white", width=round(1.6 * _FINE))
        self._draw.text((cx, cy), words, font=_font("strong", size), fill="white", anchor="mm")

    def ramp(self, x: float, y: float, width: float, height: float, colours: np.ndarray) -> None:
        """A bar of (k, 3) sRGB colours from left to right."""
        strip = Image.fromarray(np.rint(colours[None] * 255).astype(np.uint8))
        strip = strip.resize((round(width * _FINE), round(height * _FINE)), Image.Resampling.BILINEAR)
        self._layer.paste(strip, (round(x * _FINE), round(y * _FINE)))

    def finished(self) -> Image.Image:
        """The picture with what was drawn on it."""
        layer = self._layer.convert("RGBa").reduce(_FINE)
        return Image.alpha_composite(self._picture.convert("RGBA"), layer.convert("RGBA")).convert("RGB")


def _font(weight: str, size: float) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(str(font_path(weight)), round(size * _FINE))


def dashes(points: np.ndarray, pattern: tuple[float, float]) -> list[np.ndarray]:
    """A polyline cut into dashes by arc length, corners kept: list of (k, 2) parts."""
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    keep = np.concatenate([[True], np.diff(along) > 0])
    points, along = points[keep], along[keep]
    if len(points) < 2:
        return []
    on, off = pattern
    parts = []
    for start in np.arange(0.0, along[-1], on + off):
        stop = min(start + on, along[-1])
        inner = (along > start) & (along < stop)
        ends = [[np.interp(at, along, points[:, k]) for k in range(2)] for at in (start, stop)]
        parts.append(np.concatenate([ends[:1], points[inner], ends[1:]]))
    return parts


def save_png(path: Path, image: Image.Image) -> Path:
    """Write a PNG whole or not at all. Raises `OutputRefused`."""
    return write_whole(path, lambda handle: image.save(handle, "PNG", compress_level=4))
