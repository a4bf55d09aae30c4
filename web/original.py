"""The original gravity that was declared beside the one that is believed."""

from __future__ import annotations

from fermentation.estimate import Estimate
from gylewatch.units import POINT_SG
from gylewatch.values import Batch


def declared_original_sg(batch: Batch, estimate: Estimate) -> float | None:
    """What was declared at pitching, with the additions until `estimate`; None: not declared, or added is not known."""
    added = [each.gravity_points for each in batch.additions if each.time <= estimate.time]
    known = [points for points in added if points is not None]
    if batch.original_gravity_sg is None or len(known) < len(added):
        return None
    return batch.original_gravity_sg + POINT_SG * sum(known)


def original_note(batch: Batch, estimate: Estimate) -> str:
    """What stands beside the original gravity that is believed: what was declared, where both are not the same thing.

    Everything that was added until `estimate` is in what is believed, as if it had been in the wort.
    """
    added = any(each.time <= estimate.time for each in batch.additions)
    doubted = bool(original_doubt(batch, estimate))
    if batch.original_gravity_sg is None or not (added or doubted):
        return "with what was added" if added else ""
    declared = f"declared {batch.original_gravity_sg:.4f}"
    if added:
        return f"{'estimated, ' if doubted else ''}with what was added; {declared} without it"
    return f"estimated; {declared}"


def original_doubt(batch: Batch, estimate: Estimate) -> str:
    """Declared and believed side by side, where they differ by more than the estimate is uncertain; else empty.

    The yardstick is half the 80 % interval of the gravity, which stands on the page. That of the original gravity is
    narrower in every phase: it rests on the declared value and on all readings since.
    """
    declared_sg = declared_original_sg(batch, estimate)
    uncertain = (estimate.gravity_high_sg - estimate.gravity_low_sg) / 2 / POINT_SG
    if declared_sg is None:
        return ""
    off = (estimate.original_gravity_sg - declared_sg) / POINT_SG
    if abs(off) <= uncertain:
        return ""
    with_added = " with what was added" if declared_sg != batch.original_gravity_sg else ""
    return (
        f"The original gravity was declared as {declared_sg:.4f}{with_added}; by the float it was "
        f"{estimate.original_gravity_sg:.4f}, {abs(off):.1f} points {'higher' if off > 0 else 'lower'}: more than the "
        f"estimate is uncertain (± {uncertain:.1f} points). Attenuation and strength go by the estimated one. Was the "
        "wort mixed and at 20 °C when it was measured, and is all water and sugar entered? If so the float's curve may "
        "be off: a hand sample tells."
    )
