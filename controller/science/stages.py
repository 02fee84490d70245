"""Growth stages of dicotyledons by their two-digit BBCH code, in words."""

from types import MappingProxyType
from typing import Final

# Principal stages and the codes a bench of seedlings meets. Source: Meier (ed.), Growth stages of mono- and
# dicotyledonous plants, BBCH Monograph, 2nd ed. 2001; Hack et al. 1992. The words are this project's own.
PRINCIPAL: Final = (
    "germination",
    "leaf development",
    "side shoots",
    "stem or rosette growth",
    "harvestable parts develop",
    "inflorescence emergence",
    "flowering",
    "fruit development",
    "ripening",
    "senescence",
)
CODES: Final = MappingProxyType(
    {
        0: "dry seed",
        1: "seed begins to take up water",
        3: "seed is full of water",
        5: "root has left the seed",
        7: "shoot breaks through the seed coat",
        8: "shoot grows towards the surface",
        9: "seedling breaks through the surface",
        10: "cotyledons open",
        19: "nine or more true leaves open",
    }
)


def stage_words(growth_stage_bbch: int) -> str:
    """The stage in a few words; ValueError outside 0 to 99."""
    if not 0 <= growth_stage_bbch <= 99:
        raise ValueError(f"growth_stage_bbch must be between 0 and 99, found {growth_stage_bbch!r}")
    if growth_stage_bbch in CODES:
        return CODES[growth_stage_bbch]
    if 11 <= growth_stage_bbch <= 18:
        leaves = growth_stage_bbch - 10
        return f"{leaves} true {'leaf' if leaves == 1 else 'leaves'} open"
    return PRINCIPAL[growth_stage_bbch // 10]
