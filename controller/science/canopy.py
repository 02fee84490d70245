"""Green cover from a picture: excess green, Otsu's threshold, and the covered share of the bed."""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from controller.science.ranges import FloatArray, within

# A pixel greener than this is taken for a leaf when a picture shows only one kind of thing. An assumption
# without a source: grey and brown media lie near or below 0, seedlings above 0.2. A bench checks it on its
# own pictures.
GREEN_FLOOR: Final = 0.1


def excess_green(rgb: ArrayLike) -> FloatArray:
    """Excess green 2g - r - b of each pixel, from -1 to 2, on chromatic coordinates r + g + b = 1.

    ``rgb`` has red, green and blue along its last axis, each 0 or more, in any one scale. Source: Woebbecke,
    Meyer, Von Bargen and Mortensen (1995), Trans. ASAE 38:259-269. A grey pixel has 0, and so has a black
    one, whose coordinates do not exist, by convention here. One pixel gives an array of no dimensions.
    Errors: ValueError if the last axis is not three long or a channel is negative or missing.
    """
    channels = within("rgb", rgb, 0.0)
    if channels.ndim == 0 or channels.shape[-1] != 3:
        raise ValueError(f"rgb must hold 3 channels along its last axis, found shape {channels.shape}")
    total = np.sum(channels, axis=-1)
    share = np.divide(channels[..., 1], total, out=np.full_like(total, 1.0 / 3.0), where=total > 0.0)
    return np.asarray(3.0 * share - 1.0)


def otsu_threshold(values: ArrayLike) -> float:
    """The value that parts the values best in two: up to it, and above it.

    Maximises the variance between the two parts over every cut between different values; of equal maxima the
    lowest counts, and the answer is the largest value of the lower part. Source: Otsu (1979), IEEE Trans.
    Syst. Man Cybern. 9:62-66, on the values themselves instead of a histogram. At least two different values:
    it always parts them, whether or not there are two kinds. Errors: ValueError otherwise.
    """
    levels, counts = np.unique(within("values", values), return_counts=True)
    if levels.size < 2:
        raise ValueError(f"values must hold at least two different values, found only {float(levels[0])!r}")
    lower_count = np.cumsum(counts)[:-1].astype(np.float64)
    upper_count = float(counts.sum()) - lower_count
    centred = levels - np.average(levels, weights=counts)
    lower_sum = np.cumsum(centred * counts)[:-1]
    between = lower_sum**2 * (1.0 / lower_count + 1.0 / upper_count)
    return float(levels[int(np.argmax(between))])


def green_mask(image: ArrayLike, where: ArrayLike | None = None) -> NDArray[np.bool_]:
    """Which pixels of a picture count as green leaf, judged as in ``cover_fraction``.

    ``where`` marks the pixels that belong to the bed (rows x columns); the others never count and have no say in
    the threshold. Errors: ValueError if the shapes do not fit, or no pixel is left.
    """
    pixels = within("image", image, 0.0)
    if pixels.ndim != 3 or pixels.shape[-1] != 3:
        raise ValueError(f"image must be rows x columns x 3, found shape {pixels.shape}")
    inside = np.ones(pixels.shape[:2], dtype=np.bool_) if where is None else np.asarray(where, dtype=np.bool_)
    if inside.shape != pixels.shape[:2] or not inside.any():
        raise ValueError(f"where must mark pixels of the image {pixels.shape[:2]}, found shape {inside.shape}")
    green = excess_green(pixels)
    return np.asarray(inside & (green > _threshold(green[inside])))


def cover_fraction(image: ArrayLike) -> float:
    """Share of the pixels of an RGB picture that show green leaf, 0 to 1.

    ``image`` is rows x columns x 3. A pixel counts when its excess green lies above Otsu's threshold,
    provided that threshold parts two kinds, one on average above ``GREEN_FLOOR`` and one not; a picture of
    one kind (bare medium, or a closed canopy) is judged by the floor alone, since Otsu would cut it in two
    all the same. The picture is taken as straight: perspective and lens are the bench's matter. Accuracy:
    exact on drawn pictures; on photographs not established (no published picture with a stated cover was
    found). Errors: ValueError if the shape is not that of a picture or a channel is negative or missing.
    """
    return float(np.mean(green_mask(image)))


def _threshold(green: FloatArray) -> float:
    if np.ptp(green) == 0.0:
        return GREEN_FLOOR
    cut = otsu_threshold(green)
    two_kinds = np.mean(green[green <= cut]) <= GREEN_FLOOR < np.mean(green[green > cut])
    return cut if two_kinds else GREEN_FLOOR
