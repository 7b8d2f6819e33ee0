"""Grey values to Qt images."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from PySide6.QtGui import QImage


def grey_image(values: NDArray[np.float32], window: float, level: float) -> QImage:
    """Give an 8-bit picture of grey values through a window; nan (outside the volume) becomes black."""
    low = level - window / 2.0
    with np.errstate(invalid="ignore"):
        shown = np.clip((values - np.float32(low)) * np.float32(255.0 / window), 0, 255)
    shown = np.nan_to_num(shown, copy=False, nan=0.0)
    return image_of_bytes(shown.astype(np.uint8))


def image_of_bytes(grey: NDArray[np.uint8]) -> QImage:
    """Give a QImage with its own copy of an (h, w) array of bytes."""
    grey = np.ascontiguousarray(grey)
    height, width = grey.shape
    return QImage(grey.data, width, height, width, QImage.Format.Format_Grayscale8).copy()


def mask_image(mask: NDArray[np.bool_]) -> QImage:
    """Give a one-bit QImage, set where the mask is, for clipping."""
    height, width = mask.shape
    stride = (width + 31) // 32 * 4
    rows = np.zeros((height, stride), np.uint8)
    packed = np.packbits(mask, axis=1, bitorder="big")
    rows[:, : packed.shape[1]] = packed
    image = QImage(rows.data, width, height, stride, QImage.Format.Format_Mono).copy()
    image.setColorTable([0xFFFFFFFF, 0xFF000000])
    return image
