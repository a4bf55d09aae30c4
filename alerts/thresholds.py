"""Thresholds of every alert kind, one frozen section a kind. Values only; `alerts.settings` reads them from TOML.

Every default has its reason beside it. `limits` gives the range a value may take; outside it the rule would mean
nothing. Hours are of the data's time. Where no source is named the figure is common practice or was set on simulated
batches.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypeVar

from alerts.alert import Kind

T = TypeVar("T")


def limits(default: T, low: float, high: float) -> T:
    """A field with `default` whose value must lie in `low` to `high`."""
    value: T = field(default=default, metadata={"low": low, "high": high})
    return value


@dataclass(frozen=True, slots=True, kw_only=True)
class Started:
    enabled: bool = True
    # Four to one that the yeast works: of 100 simulated brews one start was told too early, at 0.9 the same one,
    # an hour later.
    probability: float = limits(0.8, 0.5, 0.999)
    # A knock is one reading or two, and the target is to tell within five hours of the start.
    sustained_h: float = limits(0.5, 0.0, 48.0)
    # Two, so that a float that reports once an hour is not believed on a single packet.
    readings: int = limits(2, 1, 100)


@dataclass(frozen=True, slots=True, kw_only=True)
class Plateau:
    enabled: bool = True
    # Probability that the gravity falls by less than one point in two days. Of 180 brews of three simulators by several
    # hands 0.9 told one fewer too early and the rest four hours later, 0.7 three more and four hours sooner.
    probability_still: float = limits(0.85, 0.5, 0.999)
    # Below this the stillness is over; the gap to the line above keeps one odd reading from starting the wait anew.
    release_probability: float = limits(0.6, 0.05, 0.999)
    # Long enough to be no accident, and shorter than the waits of the verdicts.
    sustained_h: float = limits(4.0, 1.0, 240.0)
    # A fall of more than this within the wait means that it creeps: the wait starts again.
    creep_points: float = limits(1.0, 0.1, 10.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Finished:
    enabled: bool = True
    # Probability that the attenuation reached lies in or above the yeast's range.
    probability_attenuated: float = limits(0.7, 0.1, 0.999)
    # Longer than a plateau, because a bottle filled too early can burst; the target is a verdict within 26 hours, and
    # the estimator itself, which doubts for long that slow sugars are gone, takes most of them to be sure.
    sustained_h: float = limits(6.0, 1.0, 240.0)
    # A beer that ends near the low edge of the range never gives a clear probability: it is believed, but later.
    late_probability_attenuated: float = limits(0.4, 0.05, 0.999)
    # That later: twice the ordinary wait, since the attenuation then says little for it.
    late_sustained_h: float = limits(12.0, 1.0, 480.0)
    # And by then the rate itself is believed to be this low: a creeping end passes the probability sooner than the rate
    # (of the 180 brews three more are told too early with 0.2, the rest an hour sooner).
    rate_points_per_day: float = limits(0.15, 0.02, 2.0)
    # The forecast leaves no more than this to go: slow sugars give little away in a day, and burst a bottle in a month.
    # It leaves some for as long as they are not ruled out.
    left_points: float = limits(2.0, 0.1, 10.0)
    # After so long a standstill the forecast is no longer asked: it errs too, and slow sugars are mostly gone by then.
    left_h: float = limits(96.0, 1.0, 480.0)
    # A further fall by more than this takes the verdict back; less is within what foam and settling yeast can do.
    falls_again_points: float = limits(2.0, 0.5, 20.0)
    # The further fall must last this long, or a knocked float would take it back.
    falls_again_h: float = limits(6.0, 0.0, 240.0)
    # The float itself has shown this share of the fall: one that is dead shows none of it, and one that joined while
    # the beer worked, or whose curve is off, more.
    seen_share: float = limits(0.3, 0.0, 1.0)
    # Two hand samples so far apart stand in for the float: the second evening after the first counts.
    samples_apart_h: float = limits(36.0, 6.0, 240.0)
    # They agree within this: the reading of a common hydrometer errs by a point or so.
    samples_differ_points: float = limits(1.5, 0.5, 10.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stalled:
    enabled: bool = True
    # Above this probability of being attenuated enough, stopping is no stall.
    probability_attenuated: float = limits(0.1, 0.001, 0.5)
    # "Well above": at least this far from the gravity at the low edge of the yeast's range; a curve errs by two, and
    # the yeast's range by more (2.5 gave 22 false stalls in 420 simulated brews in place of 17, and found no more).
    margin_points: float = limits(3.5, 0.0, 30.0)
    # Longer than a knock or foam usually deceives the estimator. Warming or rousing helps the more the earlier, and the
    # target is 24 hours (of 420 simulated brews 8 hours gave no false stall less, and two hours of delay more).
    sustained_h: float = limits(6.0, 1.0, 240.0)
    # Nearly stopped is slower than this: a tenth of a busy ale's rate.
    nearly_points_per_day: float = limits(2.0, 0.1, 10.0)
    # Nearly stopped also means that the yeast's range would be reached only after this many days. A healthy beer covers
    # its last points in two or three; 3 gave a false stall more in 233 simulated brews, 5 told one stall less.
    nearly_days_to_go: float = limits(4.0, 1.0, 60.0)
    # And slower than this share of the fastest so far, or a beer that only just gathers pace would be called stalled.
    nearly_share_of_peak: float = limits(0.5, 0.05, 1.0)
    # And only where this share of the way to the yeast's range is behind it: before, it has not gathered pace yet, or
    # what was taken for a start was a float that settled.
    nearly_from_share: float = limits(0.2, 0.0, 1.0)
    # For so long it must be nearly stopped: a slow beer deserves more patience than one that stands.
    nearly_sustained_h: float = limits(10.0, 1.0, 480.0)
    # No sign of a start for this long after pitching at 18 °C, in colder beer up to 1.7 times as long; a healthy lag
    # ends within 24 to 48 hours, that of a lager or cider later (common practice).
    never_started_h: float = limits(72.0, 12.0, 480.0)
    # It moves again when it falls at least this fast, well above what counts as nearly stopped.
    moves_points_per_day: float = limits(3.0, 0.2, 20.0)
    # The movement must last this long, or a knock would end the alert.
    moves_h: float = limits(4.0, 0.0, 72.0)
    # It also goes on, though slowly, when it has fallen by this much since, nine to one: foam alone hardly does both.
    goes_on_points: float = limits(0.5, 0.1, 20.0)
    # Meanwhile even the low end of the rate must be above this, the pace that counts as standing still.
    goes_on_points_per_day: float = limits(0.5, 0.1, 20.0)
    # A plan step that lowers the wanted temperature by this much puts the yeast to sleep on purpose.
    cold_step_c: float = limits(4.0, 1.0, 30.0)
    # An unplanned fall of the temperature by this much is named in the evidence as the likely cause.
    chill_c: float = limits(2.0, 0.5, 20.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class OutOfRange:
    enabled: bool = True
    # Beyond the wanted range by this much: a controller's ripple at the edge of the range stays below it.
    beyond_c: float = limits(0.5, 0.0, 10.0)
    # The excess must last this long: a lid opened for a sample does not count.
    sustained_h: float = limits(1.0, 0.0, 48.0)
    # A small excess, above the error of a common sensor's calibration, counts too when it lasts.
    slightly_c: float = limits(0.2, 0.0, 10.0)
    # Six hours of a small excess do less harm than one of a large one, and outlast any ripple.
    slightly_sustained_h: float = limits(6.0, 0.0, 96.0)
    # Resolved after this long inside the wanted range, so that a swing through it is not an end.
    inside_h: float = limits(1.0, 0.0, 48.0)
    # Time the beer gets to reach a new range, the fixed part: for the controller and the walls of the vessel.
    # The last degrees are the slowest, and a lager's last steps take a day.
    grace_h: float = limits(24.0, 0.0, 96.0)
    # Time the beer gets by distance: 20 litres in a cooled cabinet move about this fast (common practice, no source).
    grace_c_per_h: float = limits(0.4, 0.05, 10.0)
    # After a planned change it gets more time for as long as it comes nearer by this much...
    nears_c: float = limits(0.3, 0.05, 5.0)
    # ...within this time: a big vessel left to warm by itself takes days (common practice, no source).
    nears_h: float = limits(8.0, 0.0, 48.0)
    # A planned change that begins this much early is still the planned change.
    early_h: float = limits(2.0, 0.0, 48.0)
    # Farther beyond the range than this the alert becomes critical: yeast is harmed or stops.
    critical_c: float = limits(5.0, 0.5, 30.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    enabled: bool = True
    # Its own usual band is learnt this long in each plan step: one day also covers the daily swing of a room.
    learn_h: float = limits(24.0, 4.0, 96.0)
    # Departures from the band smaller than this are not counted (the slack of the sequential test). Of 60 simulated
    # brews 0.3 gave nine false drifts, in rooms without control; 0.5 gave three and found a drift two hours later.
    allowance_c: float = limits(0.5, 0.0, 5.0)
    # Counted departures add up to this many degree hours: a drift of 0.05 C an hour reaches it in ten hours.
    decision_c_h: float = limits(2.5, 0.2, 100.0)
    # The trend of the last day must be at least this steep, or the beer merely settled elsewhere.
    slope_c_per_h: float = limits(0.015, 0.001, 1.0)
    # Faster than this it is a jump, which `temperature-out-of-range` reports.
    fast_c_per_h: float = limits(0.25, 0.05, 10.0)
    # While the beer ferments at least this fast it warms itself; that is usual as long as it stays in range.
    exotherm_points_per_day: float = limits(3.0, 0.2, 50.0)
    # After a planned change the beer is left alone this long: warming for a rest is often spread over a day.
    settle_h: float = limits(24.0, 0.0, 96.0)
    # For this long after the fermentation the beer may still be falling back to where it was before.
    cooling_h: float = limits(24.0, 0.0, 96.0)
    # Resolved after this long back in the band, or this long without a trend.
    calm_h: float = limits(6.0, 1.0, 96.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Silent:
    enabled: bool = True
    # So many of the float's usual intervals without a reading; a few lost packets in a row are usual in radio.
    intervals: float = limits(6.0, 2.0, 1000.0)
    # Never told before this: fermentation does not change faster, and steel shields the radio for hours.
    floor_h: float = limits(4.0, 0.05, 96.0)
    # Never heard at all for this long after pitching.
    never_heard_h: float = limits(12.0, 0.1, 240.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stuck:
    enabled: bool = True
    # The angle has not moved for this long; a float that is only held by foam usually comes free sooner.
    window_h: float = limits(6.0, 1.0, 48.0)
    # A span of angles that no floating body in working beer keeps to; sensor noise alone spans about this much.
    still_deg: float = limits(0.15, 0.0, 5.0)
    # A noisier float counts as still below this fraction of the smallest span it has shown in working beer.
    noise_fraction: float = limits(0.2, 0.0, 1.0)
    # The beer works when it fell at least this fast before: in the window that is one point, well above `still_deg`.
    rate_points_per_day: float = limits(4.0, 0.5, 50.0)
    readings: int = limits(5, 3, 1000)  # fewer cannot tell a stuck float from chance


@dataclass(frozen=True, slots=True, kw_only=True)
class BatteryLow:
    enabled: bool = True
    # "auto" tells the chemistry from the highest voltage seen; or one of `battery_rules.CHEMISTRIES`.
    chemistry: str = "auto"
    # Replaces the chemistry's own threshold when given.
    low_v: float | None = limits(None, 0.5, 30.0)
    # Where the float reports per cent.
    low_percent: float = limits(15.0, 1.0, 90.0)
    # Cold and load move a cell by a few hundredths of a volt; a new or recharged battery moves it by more than this.
    hysteresis_v: float = limits(0.1, 0.0, 5.0)
    sustained_h: float = limits(1.0, 0.0, 48.0)  # a radio's transmit pulse can sag one measurement, not an hour of them


@dataclass(frozen=True, slots=True, kw_only=True)
class BatteryWillNotLast:
    enabled: bool = True
    # Replaces the chemistry's own level at which a float falls silent.
    empty_v: float | None = limits(None, 0.5, 30.0)
    # A trend needs this long; a fresh cell sags in its first hours.
    watched_h: float = limits(36.0, 6.0, 480.0)
    # A trend needs a fall well above the scatter of the measurement, one or two hundredths of a volt.
    fall_v: float = limits(0.06, 0.005, 5.0)
    # Where the float reports per cent: some count in steps of five.
    fall_percent: float = limits(8.0, 1.0, 50.0)
    # Where neither a forecast nor a plan says when the batch ends (common practice: an ale takes two weeks).
    usual_batch_days: float = limits(14.0, 1.0, 365.0)
    # Resolved when the battery lasts this much longer than the batch.
    margin_h: float = limits(24.0, 0.0, 480.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationSuspect:
    enabled: bool = True
    # Three standard deviations: by chance once in 370 samples.
    misfit_sigma: float = limits(3.0, 1.0, 20.0)
    # The gap to the line above keeps a borderline sample from raising and ending the alert in turn.
    release_sigma: float = limits(2.0, 0.1, 20.0)
    # A misfit stays until the next sample; within the hour a slip of the pen can be taken back with
    # `gylewatch sample withdraw`.
    sustained_h: float = limits(1.0, 0.0, 48.0)
    # Before the start the float must show the original gravity; a usual curve errs by two or three points.
    lag_points: float = limits(6.0, 1.0, 50.0)
    # Fresh foam and a float that has not come to the beer's temperature mislead for an hour or two.
    lag_h: float = limits(4.0, 0.0, 48.0)
    # Float and vessel probe: two common thermometers may each be wrong by half a degree, and the beer at the top may be
    # half a degree warmer than in the middle (common practice, no source).
    probe_differ_c: float = limits(1.5, 0.2, 20.0)
    # The gap to the line above keeps a borderline difference from raising and ending the alert in turn.
    probe_release_c: float = limits(1.0, 0.1, 20.0)
    # Hours that are compared: several swings of a controller, and a short stay of the float in warm foam is outvoted.
    probe_window_h: float = limits(12.0, 6.0, 36.0)
    # After a planned change the beer lies in layers, longest when it is at rest in the cold: it is left alone so long.
    probe_settle_h: float = limits(48.0, 0.0, 240.0)
    # Hours in which either moves faster than this are not compared: wall, middle and top follow one after the other.
    probe_steady_c_per_h: float = limits(0.25, 0.02, 5.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Implausible:
    enabled: bool = True
    # Foam and rafts of yeast lift a float by up to six points; more than this above the original gravity is a fault.
    above_points: float = limits(10.0, 1.0, 100.0)
    # What is believed, with all that is known of the float, has no such excuse.
    believed_above_points: float = limits(3.0, 0.5, 100.0)
    # Apparent attenuation when nothing is left: real extract 0 in Balling's 0.1808 OE + 0.8192 AE is 1.22 (memory).
    attenuation_limit: float = limits(1.22, 0.9, 1.3)
    sustained_h: float = limits(3.0, 0.0, 48.0)  # one hour-long knock is a knock


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertSettings:
    """All thresholds. The sections are named as the kinds, with ``_`` for ``-``."""

    fermentation_started: Started = Started()
    fermentation_finished: Finished = Finished()
    attenuation_plateau: Plateau = Plateau()
    fermentation_stalled: Stalled = Stalled()
    temperature_drift: Drift = Drift()
    temperature_out_of_range: OutOfRange = OutOfRange()
    float_silent: Silent = Silent()
    float_stuck: Stuck = Stuck()
    battery_low: BatteryLow = BatteryLow()
    battery_will_not_last: BatteryWillNotLast = BatteryWillNotLast()
    calibration_suspect: CalibrationSuspect = CalibrationSuspect()
    gravity_implausible: Implausible = Implausible()

    def is_enabled(self, kind: Kind) -> bool:
        """Whether alerts of `kind` are wanted."""
        enabled: bool = getattr(self, section_name(kind)).enabled
        return enabled


def section_name(kind: Kind) -> str:
    """The name of the section of `kind`, as an attribute of `AlertSettings`."""
    return _SECTIONS[kind]


_SECTIONS = {kind: kind.value.replace("-", "_") for kind in Kind}
