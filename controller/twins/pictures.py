"""Photographs of the beds: how much is green, what was counted as green, strips of the twins by day, a time-lapse.

Pictures lie in the folder ``pictures`` of a run and say their day in their name (``day-07.jpg``), or are named by a
look at a position, which gives them its day.
"""

import base64
import io
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from controller.errors import JournalError
from controller.plan import PictureFrame
from controller.science.canopy import green_mask
from controller.twins.gathering import PICTURE_ENDINGS, Twin

WIDEST = 900  # columns of pixels in which cover is judged: finer than a leaf, quick to count
SMOOTHED_OVER = 3  # pixels each way, so that a camera's noise on dark medium is not taken for leaves
SHOWN = 320  # columns of pixels on the page
LAPSE_MS = 700
CARD_WHITE, CARD_SPREAD = 185, 28  # a card is at least so bright in every channel, and its channels so near each other
CARD_LEAST_FRACTION, CARD_MOST_FRACTION, CARD_FILLED_FRACTION = 0.002, 0.2, 0.85
_DAY = re.compile(r"day[-_ ]?(\d{1,3})(?!\d)", re.IGNORECASE)

Pixels = NDArray[np.uint8]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Shot:
    """One photograph, judged. ``cover_cm2`` needs the reference card in the picture."""

    twin: str
    day: int
    path: Path
    pixels: Pixels
    bed: Mask
    green: Mask
    mm_per_pixel: float | None

    @property
    def cover_fraction(self) -> float:
        return float(self.green.sum() / self.bed.sum())

    @property
    def cover_cm2(self) -> float | None:
        return None if self.mm_per_pixel is None else float(self.green.sum() * self.mm_per_pixel**2 / 100.0)


def shots_of(twin: Twin) -> list[Shot]:
    """All pictures of a run that say their day, one for each day (the first by name), in the order of days."""
    found: dict[int, Path] = {}
    for day, path in sorted(_named(twin)):
        found.setdefault(day, path)
    frame = twin.settings.chamber.picture or PictureFrame()
    return [_judged(twin.name, day, path, frame) for day, path in sorted(found.items())]


def _named(twin: Twin) -> list[tuple[int, Path]]:
    named = []
    folder = twin.folder / "pictures"
    for path in sorted(folder.iterdir()) if folder.is_dir() else []:
        day = _DAY.search(path.stem)
        if path.suffix.lower() in PICTURE_ENDINGS and day is not None:
            named.append((int(day[1]), path))
    for look in twin.looks:
        name = Path(look.picture).name  # a name out of a record never leads out of the folder
        if name and Path(name).suffix.lower() in PICTURE_ENDINGS and (folder / name).is_file():
            named.append((int(look.hour_h // 24.0), folder / name))
    return named


def _judged(twin: str, day: int, path: Path, frame: PictureFrame) -> Shot:
    pixels = _read(path)
    rows, columns = pixels.shape[:2]
    bed = np.zeros((rows, columns), dtype=np.bool_)
    top, bottom = round(frame.top_fraction * rows), round(frame.bottom_fraction * rows)
    left, right = round(frame.left_fraction * columns), round(frame.right_fraction * columns)
    bed[top : max(bottom, top + 1), left : max(right, left + 1)] = True
    card = None if frame.card_width_mm is None else find_card(pixels)
    mm_per_pixel = None
    if card is not None and frame.card_width_mm is not None:
        across = card[1].stop - card[1].start
        mm_per_pixel = frame.card_width_mm / across
        bed[card] = False
    smooth = ndimage.uniform_filter(pixels.astype(np.float64), size=(SMOOTHED_OVER, SMOOTHED_OVER, 1))
    return Shot(twin, day, path, pixels, bed, green_mask(smooth, bed), mm_per_pixel)


def _read(path: Path) -> Pixels:
    from PIL import Image, ImageOps, UnidentifiedImageError

    try:
        with Image.open(path) as opened:
            picture = ImageOps.exif_transpose(opened).convert("RGB")
            if picture.width > WIDEST:
                picture = picture.resize((WIDEST, round(picture.height * WIDEST / picture.width)))
            return np.asarray(picture, dtype=np.uint8)
    except (OSError, UnidentifiedImageError, Image.DecompressionBombError) as error:
        raise JournalError(f"{path}: this is not a picture that can be read: {error}") from error


def find_card(pixels: Pixels) -> tuple[slice, slice] | None:
    """Rows and columns of the white reference card: the largest bright, colourless rectangle; None if there is none."""
    channels = pixels.astype(np.int16)
    white = (channels.min(axis=2) >= CARD_WHITE) & (np.ptp(channels, axis=2) <= CARD_SPREAD)
    labels, count = ndimage.label(white)
    if not count:
        return None
    sizes = np.bincount(labels.ravel())[1:]
    largest = int(np.argmax(sizes))
    rows, columns = ndimage.find_objects(labels)[largest]
    box = (rows.stop - rows.start) * (columns.stop - columns.start)
    share = box / white.size
    if sizes[largest] < CARD_FILLED_FRACTION * box or not CARD_LEAST_FRACTION <= share <= CARD_MOST_FRACTION:
        return None
    return rows, columns


def check_picture(shot: Shot) -> Pixels:
    """The photograph in grey, with what was counted as leaf in its own colour, and the bed's border drawn in."""
    grey = shot.pixels.mean(axis=2, keepdims=True).astype(np.float64)
    faint = 0.55 * grey + 90.0
    shown = np.where(shot.green[..., None], shot.pixels, np.repeat(faint, 3, axis=2)).clip(0, 255).astype(np.uint8)
    border = shot.bed & ~ndimage.binary_erosion(shot.bed, iterations=max(1, shot.pixels.shape[1] // 300))
    shown[border] = (185, 87, 63)
    return shown


def for_page(shots: list[Shot]) -> dict[str, Any]:
    """What the page shows: for each day the pictures of the twins side by side, each with its check picture."""
    if not shots:
        return {}
    days = []
    for day in sorted({shot.day for shot in shots}):
        here = [shot for shot in shots if shot.day == day]
        days.append(
            {
                "day": day,
                "shots": [
                    {
                        "twin": shot.twin,
                        "picture": _embedded(shot.pixels),
                        "check": _embedded(check_picture(shot)),
                        "cover_fraction": shot.cover_fraction,
                        "cover_cm2": shot.cover_cm2,
                    }
                    for shot in here
                ],
            }
        )
    scaled = any(shot.mm_per_pixel is not None for shot in shots)
    note = "The scale comes from the reference card." if scaled else "Without a reference card there is no scale."
    return {"days": days, "note": f"{note} Pictures are taken as straight; lens and slant are not mended."}


def _embedded(pixels: Pixels) -> str:
    from PIL import Image

    picture = Image.fromarray(pixels)
    picture.thumbnail((SHOWN, SHOWN * 2))
    held = io.BytesIO()
    picture.save(held, format="JPEG", quality=80)
    return "data:image/jpeg;base64," + base64.b64encode(held.getvalue()).decode()


def write_time_lapse(shots: list[Shot], names: list[str], path: Path) -> bool:
    """An animated picture of the twins side by side, one frame a day; False when there are fewer than two days."""
    from PIL import Image, ImageDraw

    days = sorted({shot.day for shot in shots})
    if len(days) < 2:
        return False
    by = {(shot.twin, shot.day): shot for shot in shots}
    shown = [name for name in names if any(shot.twin == name for shot in shots)]
    height = max(round(shot.pixels.shape[0] * SHOWN / shot.pixels.shape[1]) for shot in shots)
    frames = []
    for day in days:
        frame = Image.new("RGB", (SHOWN * len(shown), height + 18), (251, 249, 242))
        drawn = ImageDraw.Draw(frame)
        for place, name in enumerate(shown):
            shot = by.get((name, day))
            drawn.text((place * SHOWN + 4, 3), f"{name}, day {day}", fill=(37, 49, 58))
            if shot is not None:
                picture = Image.fromarray(shot.pixels)
                picture.thumbnail((SHOWN, height))
                frame.paste(picture, (place * SHOWN, 18))
        frames.append(frame)
    try:
        frames[0].save(path, save_all=True, append_images=frames[1:], duration=LAPSE_MS, loop=0)
    except OSError as error:
        raise JournalError(f"{path}: the time-lapse cannot be written: {error}") from error
    return True
