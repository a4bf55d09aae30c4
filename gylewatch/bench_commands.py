"""Commands of the bench and the brew day: calibration, hand instruments, strength, packaging. Loads nothing."""

from __future__ import annotations

from typing import Final

BENCH_COMMANDS: Final = {
    "curve": ("gylewatch.cli_curves:curves", "Curves: the calibrations, from angle to gravity."),
    "solution": (
        "gylewatch.cli_instruments:solution",
        "Weigh sugar and water for one reference solution, or a whole set.",
    ),
    "calibrate": ("gylewatch.cli_calibrate:calibrate", "Calibrate a float in reference solutions, guided step by step"),
    "correct": ("gylewatch.cli_instruments:correct", "Correct one hand reading"),
    "compare": ("gylewatch.cli_compare:compare_instruments", "Compare all instruments and the float, sample by sample"),
    "strength": ("gylewatch.cli_instruments:show_strength", "Alcohol by several formulas with their spread"),
    "brewday": ("gylewatch.cli_brewday:brewday", "Brew day: gravity of mash and boil, boil-off, dilution"),
    "prime": ("gylewatch.cli_packaging:prime", "Priming sugar for BATCH (its id), or for two hand samples."),
    "ledger": ("gylewatch.cli_packaging:show_ledger", "Beer drawn from BATCH (its id) for samples"),
}
