"""``gylewatch prime`` and ``ledger``: sugar for the bottles, and the beer that was poured away."""

from __future__ import annotations

from dataclasses import asdict
from datetime import timedelta
from pathlib import Path

import click

from calibration.ledger import NEVER_BACK, Ledger
from calibration.packaging import (
    SHORTEST_WATCH_DAYS,
    Bottle,
    Priming,
    Rest,
    Sugar,
    priming,
    rest_by_estimate,
    rest_by_hand,
)
from gylewatch.counting import counted
from gylewatch.errors import InputError
from gylewatch.quantities import COOL_C, GRAVITY, LITRES, Number
from gylewatch.terminal import config_option, json_option, now, opened_store, show_json, show_table
from gylewatch.values import BatchId
from storage.records import BatchRecord
from storage.store import Store
from web.ledger import LEAST_JAR_ML, MOST_JAR_ML, kept_ledger

HOUR, DAY = timedelta(hours=1), timedelta(days=1)
VOLUMES = Number("volumes", low=0.5, high=20.0)
DAYS = Number("days", low=0.0, high=365.0)
ATTENUATION = Number("fraction", low=0.2, high=1.2)


@click.command()
@click.argument("batch_id", metavar="[BATCH]", required=False)
@click.option("--volumes", type=VOLUMES, required=True, help="Carbonation wanted, volumes of CO2; 2.0 to 2.6 is usual.")
@click.option(
    "--warmest", "warmest_c", type=COOL_C, default=None, help="Since fermentation ended; else as the float saw."
)
@click.option("--volume-l", type=LITRES, default=None, help="Of beer to bottle; else the batch's.")
@click.option(
    "--sugar",
    type=click.Choice([str(s) for s in Sugar], case_sensitive=False),
    default=str(Sugar.SUCROSE),
    show_default=True,
)
@click.option(
    "--bottle",
    type=click.Choice([str(b) for b in Bottle], case_sensitive=False),
    default=str(Bottle.ORDINARY),
    show_default=True,
)
@click.option("--gravity", "later_sg", type=GRAVITY, default=None, help="Without a BATCH: by hand, today.")
@click.option("--earlier-gravity", "earlier_sg", type=GRAVITY, default=None, help="Without a BATCH: by hand, days ago.")
@click.option("--days-between", type=DAYS, default=None, help="Between these two.")
@click.option("--expected-fg", "expected_sg", type=GRAVITY, default=None, help="By hand: lowest end that is expected.")
@click.option("--og", "original_sg", type=GRAVITY, default=None, help="By hand, instead of --expected-fg.")
@click.option("--attenuation", type=ATTENUATION, default=None, help="With --og: the yeast's highest, e.g. 0.80.")
@json_option
@config_option
def prime(
    *,
    batch_id: str | None,
    volumes: float,
    warmest_c: float | None,
    volume_l: float | None,
    sugar: str,
    bottle: str,
    later_sg: float | None,
    earlier_sg: float | None,
    days_between: float | None,
    expected_sg: float | None,
    original_sg: float | None,
    attenuation: float | None,
    as_json: bool,
    config: Path,
) -> None:
    """Priming sugar for BATCH (its id), or for two hand samples. Refused while the gravity still falls."""
    by_hand = (later_sg, earlier_sg, days_between, expected_sg, original_sg, attenuation)
    if batch_id is not None and any(each is not None for each in by_hand):
        raise InputError("prime", "give a BATCH, or two gravities with the days between them, not both")
    if batch_id is not None:
        with opened_store(config) as store:
            record = store.batch(BatchId(batch_id))
            rest = _rest(store, record)
            warmest_c = _warmest_c(store, record) if warmest_c is None else warmest_c
        volume_l = record.batch.volume_l if volume_l is None else volume_l
    else:
        if later_sg is None or earlier_sg is None or days_between is None:
            raise InputError(
                "prime",
                "give a BATCH, or --gravity, --earlier-gravity and --days-between: a beer must be known to rest",
            )
        end_sg = _expected_end(expected_sg, original_sg, attenuation)
        rest = rest_by_hand(
            earlier_sg=earlier_sg, later_sg=later_sg, days_between=days_between, expected_final_sg=end_sg
        )
    if volume_l is None or warmest_c is None:
        raise InputError("prime", "--volume-l and --warmest are needed where no batch is named")
    plan = priming(
        volume_l=volume_l,
        wanted_volumes=volumes,
        warmest_c=warmest_c,
        sugar=Sugar(sugar),
        bottle=Bottle(bottle),
        rest=rest,
    )
    if as_json:
        show_json({**asdict(plan), "sugar": sugar, "volume_l": volume_l, "warmest_c": warmest_c})
    else:
        _show_plan(plan, sugar, volume_l, warmest_c, rest)


def _expected_end(expected_sg: float | None, original_sg: float | None, attenuation: float | None) -> float:
    if expected_sg is not None:
        return expected_sg
    if original_sg is None or attenuation is None:
        raise InputError(
            "prime",
            "add --expected-fg, or --og and the yeast's highest --attenuation: a beer that only paused stands still as "
            "well, goes on in the bottle and can burst it",
        )
    return original_sg - attenuation * (original_sg - 1.0)


def _rest(store: Store, record: BatchRecord) -> Rest:
    estimate = store.latest_estimate(record.batch_id)
    if estimate is None:
        raise InputError(
            "no priming plan", f"nothing is known of batch {record.batch_id} yet; its float was never heard"
        )
    then = estimate.time - SHORTEST_WATCH_DAYS * DAY
    before = store.estimates(record.batch_id, until=then, limit=1)
    return rest_by_estimate(
        gravity_sg=estimate.gravity_sg,
        earlier_gravity_sg=before[0].gravity_sg if before else None,
        rate_high_points_per_day=estimate.rate_high_points_per_day,
        probability_still=estimate.probability_still,
        probability_attenuated=estimate.probability_attenuated,
        final_gravity_low_sg=None if estimate.forecast is None else estimate.forecast.final_gravity_low_sg,
        age_h=(now() - estimate.time) / HOUR,
    )


def _warmest_c(store: Store, record: BatchRecord) -> float:
    """The warmest that the float has felt since fermentation ended, as far as the forecast tells when that was."""
    latest = store.latest_estimate(record.batch_id)
    finish = latest.forecast.finish_time if latest is not None and latest.forecast is not None else None
    if latest is None or finish is None or finish > latest.time:
        raise InputError("--warmest", "is missing: how warm has the beer been at most since fermentation ended?")
    readings = store.readings(record.batch.float_id, since=finish, until=latest.time + HOUR)
    return max((reading.temperature_c for reading in readings), default=latest.temperature_c)


def _show_plan(plan: Priming, sugar: str, volume_l: float, warmest_c: float, rest: Rest) -> None:
    click.echo(f"sugar         {plan.sugar_g:.1f} g of {sugar} for {volume_l:g} l")
    click.echo(f"in the beer   {plan.residual_volumes:.2f} volumes already (warmest {warmest_c:g} °C)")
    click.echo(f"carbonation   {plan.wanted_volumes:.2f} ± {plan.sd_volumes:.2f} volumes")
    click.echo(f"adds          {plan.added_abv_percent:.2f} % vol of alcohol")
    show_table(
        ("at", "pressure", "if it ferments on"),
        [
            (f"{t:g} °C", f"{bar:.1f} bar", f"{worst:.1f} bar")
            for (t, bar), (_, worst) in zip(plan.pressures_bar, plan.worst_pressures_bar, strict=True)
        ],
        empty="",
    )
    if rest.lowest_gravity_sg < rest.gravity_sg:
        click.echo(f"It might still ferment to {rest.lowest_gravity_sg:.4f}: then {plan.worst_volumes:.1f} volumes.")
    for caution in plan.cautions:
        click.echo(caution)


@click.command("ledger")
@click.argument("batch_id", metavar="BATCH")
@click.option(
    "--jar-ml",
    type=Number("ml", low=LEAST_JAR_ML, high=MOST_JAR_ML),
    default=None,
    help="Your hydrometer jar; else 175.",
)
@json_option
@config_option
def show_ledger(*, batch_id: str, jar_ml: float | None, as_json: bool, config: Path) -> None:
    """Beer drawn from BATCH (its id) for samples, what the float saved, and when a sample is worth most."""
    with opened_store(config) as store:
        record = store.batch(BatchId(batch_id))
        kept = kept_ledger(store, record, jar_ml=jar_ml)
    book = kept.book
    if as_json:
        by_instrument = [{"instrument": str(i), "samples": n, "ml": ml} for i, n, ml in book.by_instrument]
        shown = {**asdict(book), "by_instrument": by_instrument, "worth": [asdict(one) for one in kept.ranked]}
        show_json({**shown, "advice": kept.advice, "never": NEVER_BACK})
        return
    _show_book(book, kept.full_days)
    click.echo(kept.advice)
    click.echo(NEVER_BACK)


def _show_book(book: Ledger, full_days: int) -> None:
    rows = [(str(i), str(n), f"{ml:.1f} ml") for i, n, ml in book.by_instrument]
    show_table(("instrument", "samples", "drawn"), rows, empty="no samples were drawn")
    click.echo(f"drawn in all  {book.drawn_ml:.0f} ml, {book.share_of_batch:.1%} of the batch")
    click.echo(
        f"saved         {book.saved_ml:.0f} ml against one hydrometer jar a day over "
        f"{counted(full_days, 'full day')} ({book.daily_ml:.0f} ml)"
    )
