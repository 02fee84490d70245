"""Water in the growing medium: what it holds, and how fast it takes water in.

Parameters by texture are class averages of mineral soils; a potting mix has its own and must be measured.
"""

import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

import numpy as np

from controller.science.ranges import FloatArray, Numbers, as_given, within

DEEPEST_CM: Final = 200.0
PERMITTIVITY_LOW: Final = 2.0
PERMITTIVITY_HIGH: Final = 46.0
_NEWTON_STEPS: Final = 12
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(64)


@dataclass(frozen=True)
class WaterRetention:
    """The water retention curve of van Genuchten (1980), Soil Sci. Soc. Am. J. 44:892-898, with m = 1 - 1/n.

    ``theta_r`` and ``theta_s`` are the residual and the saturated volumetric water content (m3/m3),
    0 <= theta_r < theta_s <= 1; ``alpha_per_cm`` is above 0, ``n`` above 1. Errors: ValueError otherwise.
    """

    theta_r: float
    theta_s: float
    alpha_per_cm: float
    n: float

    def __post_init__(self) -> None:
        within("theta_r", self.theta_r, 0.0, 1.0)
        within("theta_s", self.theta_s, 0.0, 1.0)
        if self.theta_s <= self.theta_r:
            raise ValueError(f"theta_s must lie above theta_r ({self.theta_r!r}), found {self.theta_s!r}")
        within("alpha_per_cm", self.alpha_per_cm, 0.0, low_excluded=True)
        within("n", self.n, 1.0, low_excluded=True)

    def theta(self, suction_cm: Numbers) -> Numbers:
        """Volumetric water content (m3/m3) at a suction in cm of water, 0 (saturated) or more.

        theta_r + (theta_s - theta_r) / (1 + (alpha h)^n)^m. A missing suction (NaN) stays NaN.
        Errors: ValueError for a negative suction.
        """
        suction = within("suction_cm", suction_cm, 0.0, nan_passes=True)
        return as_given(suction_cm, self._theta(suction))

    def _theta(self, suction: FloatArray) -> FloatArray:
        filled = (1.0 + (self.alpha_per_cm * suction) ** self.n) ** (1.0 / self.n - 1.0)
        return np.asarray(self.theta_r + (self.theta_s - self.theta_r) * filled)


@dataclass(frozen=True)
class Texture(WaterRetention):
    """A textural class: its retention curve and its conductivity when saturated, in cm per day."""

    saturated_conductivity_cm_d: float


# Class averages of Carsel and Parrish (1988), Water Resour. Res. 24:755-769.
TEXTURES: Final = MappingProxyType(
    {
        "sand": Texture(0.045, 0.43, 0.145, 2.68, 712.8),
        "loamy sand": Texture(0.057, 0.41, 0.124, 2.28, 350.2),
        "sandy loam": Texture(0.065, 0.41, 0.075, 1.89, 106.1),
        "loam": Texture(0.078, 0.43, 0.036, 1.56, 24.96),
        "silt loam": Texture(0.067, 0.45, 0.020, 1.41, 10.80),
        "sandy clay loam": Texture(0.100, 0.39, 0.059, 1.48, 31.44),
        "clay loam": Texture(0.095, 0.41, 0.019, 1.31, 6.24),
        "silty clay loam": Texture(0.089, 0.43, 0.010, 1.23, 1.68),
        "silty clay": Texture(0.070, 0.36, 0.005, 1.09, 0.48),
        "clay": Texture(0.068, 0.38, 0.008, 1.09, 4.80),
    }
)


@dataclass(frozen=True)
class Infiltration:
    """What Green and Ampt's equation needs of a texture."""

    effective_porosity_fraction: float
    suction_cm: float
    conductivity_cm_h: float


# Rawls, Brakensiek and Miller (1983), J. Hydraul. Eng. 109:62-70, Table 2. The effective porosity of clay loam is
# printed as 0.309; its stated range is centred on 0.390, which stands here.
INFILTRATION: Final = MappingProxyType(
    {
        "sand": Infiltration(0.417, 4.95, 11.78),
        "loamy sand": Infiltration(0.401, 6.13, 2.99),
        "sandy loam": Infiltration(0.412, 11.01, 1.09),
        "loam": Infiltration(0.434, 8.89, 0.34),
        "silt loam": Infiltration(0.486, 16.68, 0.65),
        "clay loam": Infiltration(0.390, 20.88, 0.10),
        "silty clay loam": Infiltration(0.432, 27.30, 0.10),
        "clay": Infiltration(0.385, 31.63, 0.03),
    }
)


def container_capacity_fraction(texture: str | WaterRetention, depth_cm: Numbers) -> Numbers:
    """Water held by a bed of this depth after free drainage, as a fraction of the bed's volume (m3/m3).

    ``texture`` is a name in ``TEXTURES`` or a measured ``WaterRetention``. The drained bed is saturated at
    its open lower face and holds theta(z) at the height z above it; the result is the mean of theta over the
    depth, which is why a shallow bed holds more of its volume than a deep one. Valid above 0 to 200 cm.
    Accuracy: the integral closes to 1e-7; whether a real bed reaches this equilibrium is another question (no
    published container capacity by depth was found to test that). Errors: ValueError for an unknown texture,
    or a depth outside the valid range.
    """
    if isinstance(texture, WaterRetention):
        retention = texture
    elif texture in TEXTURES:
        retention = TEXTURES[texture]
    else:
        raise ValueError(f"texture must be one of {', '.join(TEXTURES)}, found {texture!r}")
    depth = within("depth_cm", depth_cm, 0.0, DEEPEST_CM, low_excluded=True)
    return as_given(depth_cm, _integral_from_base(retention, depth) / depth)


def green_ampt_cumulative_cm(time_h: Numbers, conductivity_cm_h: float, suction_cm: float, deficit: float) -> Numbers:
    """Water taken in since ponding began, in cm, while the surface stays under water.

    Solves F - S ln(1 + F/S) = K t with S = suction x deficit. Source: Green and Ampt, as in Chow, Maidment
    and Mays (1988), Applied Hydrology, section 4.3. ``time_h`` 0 or more; ``conductivity_cm_h`` (K) above 0;
    ``suction_cm`` at the wetting front above 0; ``deficit``, the pore space still free of water (m3/m3),
    above 0 to 1. Accuracy: the equation closes to 1e-9 cm. Errors: ValueError outside the valid ranges.
    """
    time = within("time_h", time_h, 0.0)
    conductivity, capillary_cm = _green_ampt(conductivity_cm_h, suction_cm, deficit)
    passed_cm = conductivity * time
    # F^2 = 2 K t (S + F) gives a start above the root; from there Newton's method falls onto it.
    cumulative = passed_cm + np.sqrt(passed_cm**2 + 2.0 * passed_cm * capillary_cm)
    for _ in range(_NEWTON_STEPS):
        surplus = cumulative - capillary_cm * np.log1p(cumulative / capillary_cm) - passed_cm
        slope = np.where(cumulative > 0.0, cumulative / (capillary_cm + cumulative), 1.0)
        cumulative = cumulative - surplus / slope
    return as_given(time_h, np.asarray(cumulative))


def green_ampt_rate_cm_h(
    cumulative_cm: Numbers, conductivity_cm_h: float, suction_cm: float, deficit: float
) -> Numbers:
    """Rate at which a ponded medium takes in water after having taken in ``cumulative_cm``, in cm/h.

    K (1 + S/F): Chow, Maidment and Mays (1988), section 4.3. ``cumulative_cm`` above 0, the rest as for
    ``green_ampt_cumulative_cm``. Errors: ValueError outside the valid ranges.
    """
    cumulative = within("cumulative_cm", cumulative_cm, 0.0, low_excluded=True)
    conductivity, capillary_cm = _green_ampt(conductivity_cm_h, suction_cm, deficit)
    return as_given(cumulative_cm, np.asarray(conductivity * (1.0 + capillary_cm / cumulative)))


def ponding_time_h(supply_cm_h: Numbers, conductivity_cm_h: float, suction_cm: float, deficit: float) -> Numbers:
    """Time until water given at a steady rate stands on the surface, in h; infinite if it never does.

    K S / (i (i - K)) for a supply i above K: Chow, Maidment and Mays (1988), section 4.4. A supply at or
    below K soaks in for ever. ``supply_cm_h`` 0 or more, the rest as for ``green_ampt_cumulative_cm``.
    Errors: ValueError outside the valid ranges.
    """
    supply = within("supply_cm_h", supply_cm_h, 0.0)
    conductivity, capillary_cm = _green_ampt(conductivity_cm_h, suction_cm, deficit)
    ponds = supply > conductivity
    faster = np.where(ponds, supply, 2.0 * conductivity)
    time = conductivity * capillary_cm / (faster * (faster - conductivity))
    return as_given(supply_cm_h, np.where(ponds, time, math.inf))


def topp_water_content(permittivity: Numbers) -> Numbers:
    """Volumetric water content (m3/m3) of a mineral soil from its apparent relative permittivity.

    Source: Topp, Davis and Annan (1980), Water Resour. Res. 16:574-582, eq. 7. Valid from 2 to 46, where the
    polynomial runs from 0.003 to 0.545. Accuracy about 0.013 m3/m3 in mineral soils (from memory); not for
    peat or other organic media. A missing reading (NaN) stays NaN. Errors: ValueError outside the valid
    range.
    """
    e = within("permittivity", permittivity, PERMITTIVITY_LOW, PERMITTIVITY_HIGH, nan_passes=True)
    return as_given(permittivity, np.asarray(-5.3e-2 + e * (2.92e-2 + e * (-5.5e-4 + e * 4.3e-6))))


def _integral_from_base(retention: WaterRetention, depth_cm: FloatArray) -> FloatArray:
    """The integral of theta over the height above the base, by Gauss and Legendre on either side of the knee.

    Below the knee (1/alpha) the height goes as s^3, which smooths the start of drainage; above it as a power
    of the depth, which keeps the long dry tail within reach of the nodes.
    """
    s, weights = (_NODES + 1.0) / 2.0, _WEIGHTS / 2.0
    depth = depth_cm[..., np.newaxis]
    knee = np.minimum(depth, 1.0 / retention.alpha_per_cm)
    wet = 3.0 * knee * s**2 * retention._theta(knee * s**3)
    height, span = knee * (depth / knee) ** s, np.log(depth / knee)
    dry = height * span * retention._theta(height)
    return np.asarray(np.sum((wet + dry) * weights, axis=-1))


def _green_ampt(conductivity_cm_h: float, suction_cm: float, deficit: float) -> tuple[float, float]:
    """Conductivity, and suction x deficit: the two numbers that govern Green and Ampt."""
    conductivity = float(within("conductivity_cm_h", conductivity_cm_h, 0.0, low_excluded=True))
    suction = float(within("suction_cm", suction_cm, 0.0, low_excluded=True))
    return conductivity, suction * float(within("deficit", deficit, 0.0, 1.0, low_excluded=True))
