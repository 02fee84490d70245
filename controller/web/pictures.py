"""Pictures that people send: decoded, turned upright, made small enough and written anew, so that nothing else of
the sent file is kept (no position, no name of a camera, no hidden content)."""

import hashlib
import io
from functools import lru_cache
from pathlib import Path

import numpy as np
from PIL import Image, ImageFile, ImageOps, UnidentifiedImageError

from controller.control.photoperiod import moment_of
from controller.science.canopy import cover_fraction
from controller.web.forms import FormFault
from controller.whole_file import write_whole

FORMATS = ("JPEG", "PNG", "WEBP")
PIXELS_MAX = 60_000_000  # of a sent picture: more than a telephone's camera gives
SIDE_MAX = 1_600  # pixels, of a kept picture
THUMBNAIL_SIDE = 320
COVER_SIDE = 400  # cover is counted on a picture of this size
QUALITY = 85


def read_picture(sent: bytes) -> Image.Image:
    """A sent picture, upright and made small. FormFault when it is no picture."""
    ImageFile.LOAD_TRUNCATED_IMAGES = False  # other libraries in the same process may have allowed half a picture
    try:
        with Image.open(io.BytesIO(sent), formats=FORMATS) as opened:
            if opened.width * opened.height > PIXELS_MAX:
                raise FormFault("fault.picture_large", width=opened.width, height=opened.height)
            if opened.format == "JPEG":
                opened.draft("RGB", (2 * SIDE_MAX, 2 * SIDE_MAX))
            picture = ImageOps.exif_transpose(opened).convert("RGB")
    except (UnidentifiedImageError, Image.DecompressionBombError) as error:
        raise FormFault("fault.no_picture") from error
    except (OSError, ValueError, SyntaxError, EOFError) as error:
        raise FormFault("fault.picture_damaged") from error
    picture.thumbnail((SIDE_MAX, SIDE_MAX))
    return picture


def keep_picture(folder: Path, position: int, at_utc_ms: int, sent: bytes) -> str:
    """Write a sent picture and its thumbnail; answers its file name. FormFault when it is no picture."""
    picture = read_picture(sent)
    encoded = _jpeg(picture)
    mark = hashlib.sha256(encoded).hexdigest()[:8]
    name = f"position-{position:02d}-{moment_of(at_utc_ms):%Y%m%dT%H%M%SZ}-{mark}.jpg"
    folder.mkdir(exist_ok=True)
    write_whole(folder / name, encoded, lasting=True)
    picture.thumbnail((THUMBNAIL_SIDE, THUMBNAIL_SIDE))
    write_whole(folder / thumbnail_of(name), _jpeg(picture), lasting=True)
    return name


def thumbnail_of(name: str) -> str:
    return name.removesuffix(".jpg") + ".small.jpg"


def drop_picture(folder: Path, name: str) -> None:
    """Take away a picture whose observation was refused."""
    for each in (name, thumbnail_of(name)):
        (folder / each).unlink(missing_ok=True)


@lru_cache(maxsize=512)
def canopy_cover_fraction(path: Path) -> float | None:
    """Share of a kept picture that shows green leaf; None where the picture is gone."""
    if not path.is_file():
        return None
    with Image.open(path, formats=("JPEG",)) as picture:
        picture.thumbnail((COVER_SIDE, COVER_SIDE))
        return cover_fraction(np.asarray(picture.convert("RGB"), dtype=np.float64))


def _jpeg(picture: Image.Image) -> bytes:
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=QUALITY)
    return out.getvalue()
