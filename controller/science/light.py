"""Light for plants: the daily light integral, and photon flux from an illuminance meter."""

from types import MappingProxyType
from typing import Final

from controller.science.ranges import Numbers, as_given, within

S_PER_H: Final = 3600.0
UMOL_PER_MOL: Final = 1.0e6
H_PER_DAY: Final = 24.0

# Illuminance that goes with one umol m-2 s-1 of photons between 400 and 700 nm, by light source.
# Conversion table of Apogee Instruments, after Thimijan and Heins (1983), HortScience 18:818-822.
LUX_PER_UMOL_M2_S: Final = MappingProxyType(
    {
        "sunlight": 54.0,
        "cool white fluorescent": 74.0,
        "high pressure sodium": 82.0,
        "double-ended high pressure sodium": 77.0,
        "metal halide": 71.0,
        "ceramic metal halide": 65.0,
    }
)


def daily_light_integral_mol_m2(ppfd_umol_m2_s: Numbers, photoperiod_h: Numbers | float) -> Numbers:
    """Photons received in one day by a square metre, in mol, under a steady lamp.

    ``ppfd_umol_m2_s`` is the photosynthetic photon flux density while the lamp is on, 0 or more;
    ``photoperiod_h`` the lamp hours within a day of 24 h, 0 to 24. By definition PPFD x 3600 x hours / 10^6
    (Torres and Lopez, Measuring Daily Light Integral in a Greenhouse, Purdue Extension HO-238-W). Exact.
    A missing reading (NaN) stays NaN. Errors: ValueError outside the valid ranges.
    """
    flux = within("ppfd_umol_m2_s", ppfd_umol_m2_s, 0.0, nan_passes=True)
    hours = within("photoperiod_h", photoperiod_h, 0.0, H_PER_DAY, nan_passes=True)
    return as_given(ppfd_umol_m2_s, flux * hours * S_PER_H / UMOL_PER_MOL)


def lux_to_ppfd_umol_m2_s(illuminance_lux: Numbers, source: str) -> Numbers:
    """Photosynthetic photon flux density from an illuminance, in umol m-2 s-1, for a named kind of light.

    ``source`` is one of the keys of ``LUX_PER_UMOL_M2_S``; the factors are those of Thimijan and Heins
    (1983), HortScience 18:818-822, as tabulated by Apogee Instruments, in whole lux: good to about 1 % for a
    lamp of exactly that kind, and worse for another spectrum. White light-emitting diodes have no entry: no
    published factor holds for them, so a chamber measures its own lamp. A missing reading (NaN) stays NaN.
    Errors: ValueError below 0 lux or for a source that is not in the table.
    """
    if source not in LUX_PER_UMOL_M2_S:
        raise ValueError(
            f"source must be one of {', '.join(LUX_PER_UMOL_M2_S)}, found {source!r}; "
            "for any other lamp measure its photon flux"
        )
    lux = within("illuminance_lux", illuminance_lux, 0.0, nan_passes=True)
    return as_given(illuminance_lux, lux / LUX_PER_UMOL_M2_S[source])
