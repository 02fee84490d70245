"""A moment on both clocks, and what the probes gave at one."""

from typing import NamedTuple

MS_PER_H = 3_600_000
MS_PER_DAY = 24 * MS_PER_H


class Moment(NamedTuple):
    """One instant on both clocks. ``utc_trusted`` says whether network time stood behind ``utc_ms``."""

    utc_ms: int
    monotonic_ms: int
    boot_id: int
    utc_trusted: bool


class Reading(NamedTuple):
    """What the chamber's probes gave at one moment; None where nothing could be read.

    Counts are raw converter counts from the board. ``local_leak_wet`` and ``local_float_up`` are the second pair of
    probes, wired to the single-board computer itself.
    """

    air_temperature_c: float | None
    relative_humidity_pct: float | None
    moisture_counts: int | None
    leak_counts: int | None
    float_counts: int | None
    reservoir_counts: int | None
    local_leak_wet: bool = False
    local_float_up: bool = False
