"""From light to a file: blur, a mosaic of colours, noise, tone, and what programs did after."""

from __future__ import annotations

import io
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from .noise import Rng, grain

COLOURS = ("colour", "grey", "two levels")
FORMS = ("jpg", "png", "tif")


@dataclass(frozen=True, slots=True)
class Sensor:
    """How light becomes a file."""

    blur: float = 0.6
    """Deviation of the blur of the lens, in pixels."""
    motion: tuple[float, float] = (0.0, 0.0)
    """Way of the camera while it looked: pixels, and degrees."""
    mosaic: bool = False
    noise: tuple[float, float] = (0.002, 0.002)
    """Deviation in the dark, and variance for full light."""
    sharpen: float = 0.0
    gain: float = 1.0
    colour: str = "colour"
    steps: tuple[tuple[str, float], ...] = ()
    """What programs did: `jpeg` of a quality, `scale` by a factor, `level` by a contrast."""
    form: str = "jpg"
    quality: int = 90
    quarter: int = 0
    """Quarters of a turn that only the file's own note tells, as cameras write it."""


def _srgb() -> NDArray[np.uint8]:
    linear = np.arange(65536) / 65535
    value = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return np.round(value * 255).astype(np.uint8)


_TONE = _srgb()


def expose(rng: Rng, image: NDArray[np.float32], sensor: Sensor) -> NDArray[np.uint8]:
    """Return 8-bit red, green and blue of an image in linear light."""
    if sensor.blur > 0.2:
        image = cv2.GaussianBlur(image, (0, 0), sensor.blur)
    if sensor.motion[0] > 1:
        image = cv2.filter2D(image, -1, _smear(*sensor.motion))
    image = image * np.float32(sensor.gain)
    dark, full = sensor.noise
    if sensor.mosaic:
        raw = np.empty(image.shape[:2], np.float32)
        for (row, column), channel in (((0, 0), 0), ((0, 1), 1), ((1, 0), 1), ((1, 1), 2)):
            raw[row::2, column::2] = image[row::2, column::2, channel]
        raw += grain(rng, raw.shape) * np.sqrt(dark**2 + full * np.clip(raw, 0, 2))
        counts = np.clip(raw * 65535, 0, 65535).astype(np.uint16)
        # the library names a mosaic by its second row and column
        counts = cv2.cvtColor(counts, cv2.COLOR_BayerBG2RGB)
    else:
        own = grain(rng, image.shape[:2])[..., None]
        image = image + own * np.sqrt(dark**2 + full * np.clip(image, 0, 2))
        counts = np.clip(image * 65535, 0, 65535).astype(np.uint16)
    seen = _TONE[counts]
    if sensor.sharpen > 0:
        soft = cv2.GaussianBlur(seen, (0, 0), 1.2)
        seen = cv2.addWeighted(seen, 1 + sensor.sharpen, soft, -sensor.sharpen, 0)
    return seen


def _smear(way: float, degrees: float) -> NDArray[np.float32]:
    reach = int(np.ceil(way)) | 1
    kernel = np.zeros((reach + 2, reach + 2), np.float32)
    middle = (reach + 1) / 2
    off = np.array([np.cos(np.radians(degrees)), np.sin(np.radians(degrees))]) * way / 2
    ends = [tuple(int(part) for part in np.round((middle + sign * off) * 16)) for sign in (-1, 1)]
    cv2.line(kernel, ends[0], ends[1], 1.0, 1, cv2.LINE_AA, 4)
    return kernel / kernel.sum()


def keep(
    image: NDArray[np.uint8], sensor: Sensor, dpi: float
) -> tuple[bytes, tuple[str, ...], float]:
    """Return a file of an image, what was done on the way, and by how much its scale changed."""
    done: list[str] = []
    scaled = 1.0
    if sensor.colour != "colour":
        image = cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)
    for step, value in sensor.steps:
        if step == "jpeg":
            page = io.BytesIO()
            Image.fromarray(image).save(page, "JPEG", quality=int(value))
            image = np.asarray(Image.open(page))
        elif step == "scale":
            size = (round(image.shape[1] * value), round(image.shape[0] * value))
            scaled *= size[0] / image.shape[1]
            image = cv2.resize(
                image, size, interpolation=cv2.INTER_AREA if value < 1 else cv2.INTER_CUBIC
            )
        else:
            image = np.clip((image.astype(np.float32) - 128) * value + 128, 0, 255).astype(np.uint8)
        done.append(f"{step} {value:g}")
    if sensor.colour == "two levels":
        between = cv2.threshold(image, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)[0]
        image = np.where(image > between, np.uint8(255), np.uint8(0))
    page = Image.fromarray(image)
    noted = round(dpi * scaled)
    file = io.BytesIO()
    if sensor.colour == "two levels":
        form = "png" if sensor.form == "jpg" else sensor.form
        page = page.convert("1")
        kind, more = ("PNG", {}) if form == "png" else ("TIFF", {"compression": "group4"})
        page.save(file, kind, dpi=(noted, noted), **more)
        return file.getvalue(), (*done, f"two levels as {form}"), scaled
    if sensor.form == "jpg":
        note = Image.Exif()
        if sensor.quarter:
            # stored turned the other way; the note says how to turn it back
            back = {
                1: Image.Transpose.ROTATE_90,
                2: Image.Transpose.ROTATE_180,
                3: Image.Transpose.ROTATE_270,
            }
            note[0x0112] = {1: 6, 2: 3, 3: 8}[sensor.quarter]
            page = page.transpose(back[sensor.quarter])
        page.save(file, "JPEG", quality=sensor.quality, dpi=(noted, noted), exif=note)
        return file.getvalue(), (*done, f"jpg {sensor.quality}"), scaled
    if sensor.form == "png":
        page.save(file, "PNG", dpi=(noted, noted), compress_level=1)
    else:
        page.save(file, "TIFF", dpi=(noted, noted), compression="tiff_lzw")
    return file.getvalue(), (*done, sensor.form), scaled


def suffix(sensor: Sensor) -> str:
    """Return the suffix of a file made by a sensor."""
    return "png" if sensor.colour == "two levels" and sensor.form == "jpg" else sensor.form
