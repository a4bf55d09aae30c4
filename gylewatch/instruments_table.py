"""Reads a table of the user's own hand instruments, from the configuration or from a batch file."""

from __future__ import annotations

from gylewatch.likely import celsius_doubt
from gylewatch.toml_table import Table, TableError
from gylewatch.units import POINT_SG
from gylewatch.values import (
    HYDROMETER_CALIBRATION_C,
    HYDROMETER_OFFSET_SG,
    MENISCUS_SG,
    WORT_FACTOR_RANGE,
    HandSettings,
)


def read_instruments(table: Table) -> HandSettings:
    """The instruments that a table describes; what it does not say is as the contract has it.

    Raises
    ------
    TableError
        A key is unknown, or a value out of range.
    """
    plain = HandSettings()
    settings = HandSettings(
        hydrometer_calibration_c=_calibration_c(table, plain.hydrometer_calibration_c),
        hydrometer_offset_sg=_points(table, "hydrometer_offset_points", HYDROMETER_OFFSET_SG),
        hydrometer_meniscus_sg=_points(table, "hydrometer_meniscus_points", MENISCUS_SG),
        wort_correction_factor=table.number(
            "refractometer_wort_factor",
            plain.wort_correction_factor,
            low=WORT_FACTOR_RANGE[0],
            high=WORT_FACTOR_RANGE[1],
        ),
        refractometer_compensates=table.switch("refractometer_compensates", plain.refractometer_compensates),
    )
    table.finish()
    return settings


def _calibration_c(table: Table, usual: float) -> float:
    key = "hydrometer_calibration_c"
    low, high = HYDROMETER_CALIBRATION_C
    typed = table.raw_value(key)
    if type(typed) in (int, float) and not low <= typed <= high:
        doubt = celsius_doubt((typed,), low, high)
        raise table.wrong(key, f"must be {low:g} to {high:g} °C" + (f"; {doubt}" if doubt else ""))
    return table.number(key, usual, low=low, high=high, unit="°C")


def _points(table: Table, key: str, range_sg: tuple[float, float]) -> float:
    low, high = (limit / POINT_SG for limit in range_sg)
    typed = table.raw_value(key)
    if isinstance(typed, float) and 0.95 <= typed <= 1.05 and typed != 1.0:
        raise _sg_for_points(table, key, typed)
    return table.number(key, 0.0, low=low, high=high, unit="points") * POINT_SG


def _sg_for_points(table: Table, key: str, typed: float) -> TableError:
    points = (1.0 - typed) / POINT_SG
    return table.wrong(key, f"is that what it shows in plain water? write what to add, in points: {points:.1f}")
