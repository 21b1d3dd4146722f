"""The numbers that a past switch is judged by; ``data/numbers.toml`` gives their sources."""

from dataclasses import fields
from fractions import Fraction
from typing import Any

from crossgrain.names.numbers import Numbers, refuse
from crossgrain.names.values import frozen


@frozen
class Limits:
    """Every threshold, flat; `LIMIT_KEYS` says under which key each stands.

    Attributes
    ----------
    ratio_under, ratio_over : LT4-equivalent, new over old, beyond which a switch is off
    change_up, change_down : TSH after over before that counts as up by half, down by half
    window_with_t3_days, window_without_t3_days : how long after a rise a dose may still climb
    kept_regimen_days : a stretch at least so long was meant to be kept
    kept_renewal_days : a gap or overlap between two orders of one dose that is a renewal
    kept_long_days : a dose taken so long, and left no longer ago, may be gone back to
    kept_order_days : an order without an end gives way to one of its hormone within so many days
    labs_settled_days : from the start of a dose to a TSH that speaks of it
    labs_first_within_days : after a switch, a TSH is due within so many days
    labs_baseline_days : a TSH before the switch no older than this is its baseline
    export_loss_ignored, export_share_ignored : so many fewer resources, or so great a share, are
        no sign that a part of an export is missing
    export_vanished_from : a type of so many resources that has none any more is such a sign
    tsh_low, tsh_high : reference range where the laboratory gives none, mIU/L
    tsh_older_years, tsh_older_high : from that age, TSH up to this is acceptable
    tsh_suppressed, tsh_frankly_high : beyond these a flag is urgent
    tsh_frail_years : from that age, a suppressed TSH is urgent
    pregnant_low_in_each, pregnant_low_in_some : TSH below the first is low in every trimester,
        below the second in one at least
    pregnant_high_in_some, pregnant_high_in_each : and above these high in one, in every trimester
    work_at_once : more thyroid medicines on one day are not compared
    """

    ratio_under: Fraction
    ratio_over: Fraction
    change_up: Fraction
    change_down: Fraction
    window_with_t3_days: int
    window_without_t3_days: int
    kept_regimen_days: int
    kept_renewal_days: int
    kept_long_days: int
    kept_order_days: int
    labs_settled_days: int
    labs_first_within_days: int
    labs_baseline_days: int
    export_loss_ignored: int
    export_share_ignored: Fraction
    export_vanished_from: int
    tsh_low: Fraction
    tsh_high: Fraction
    tsh_older_years: int
    tsh_older_high: Fraction
    tsh_suppressed: Fraction
    tsh_frankly_high: Fraction
    tsh_frail_years: int
    pregnant_low_in_each: Fraction
    pregnant_low_in_some: Fraction
    pregnant_high_in_some: Fraction
    pregnant_high_in_each: Fraction
    work_at_once: int


LIMIT_KEYS = {
    "ratio_under": "ratio.under",
    "ratio_over": "ratio.over",
    "change_up": "change.up",
    "change_down": "change.down",
    "window_with_t3_days": "window.with_t3_days",
    "window_without_t3_days": "window.without_t3_days",
    "kept_regimen_days": "record.regimen_days",
    "kept_renewal_days": "record.renewal_days",
    "kept_long_days": "record.long_dose_days",
    "kept_order_days": "record.order_days",
    "labs_settled_days": "labs.wait_days",
    "labs_first_within_days": "labs.first_within_days",
    "labs_baseline_days": "labs.baseline_days",
    "export_loss_ignored": "export.loss_ignored",
    "export_share_ignored": "export.share_ignored",
    "export_vanished_from": "export.vanished_from",
    "tsh_low": "tsh.low",
    "tsh_high": "tsh.high",
    "tsh_older_years": "age.tsh_older",
    "tsh_older_high": "tsh.older_high",
    "tsh_suppressed": "tsh.suppressed",
    "tsh_frankly_high": "tsh.frankly_high",
    "tsh_frail_years": "age.older",
    "pregnant_low_in_each": "pregnancy.tsh_low_in_each",
    "pregnant_low_in_some": "pregnancy.tsh_low_in_some",
    "pregnant_high_in_some": "pregnancy.tsh_high_in_some",
    "pregnant_high_in_each": "pregnancy.tsh_high_in_each",
    "work_at_once": "record.medicines_at_once",
}
"""The key of each threshold in the data files."""


def limits_from(numbers: Numbers) -> Limits:
    """Take the thresholds from the clinical numbers.

    Raises
    ------
    DomainError
        for a missing, broken or senseless number, by its place.
    """
    limits = Limits(**{f.name: _value(numbers, f.name, f.type is int) for f in fields(Limits)})
    _check(limits)
    return limits


def _value(numbers: Numbers, name: str, whole: bool) -> Any:
    key = LIMIT_KEYS[name]
    if key not in numbers:
        refuse(key, "this number is missing")
    value = numbers[key].value
    if not whole:
        return value
    if value.denominator != 1:
        refuse(key, "this must be a whole number")
    return int(value)


def _check(limits: Limits) -> None:
    """Refuse numbers that contradict each other."""
    for place, sound in {
        "ratio": limits.ratio_under < 1 < limits.ratio_over,
        "change": limits.change_down < 1 < limits.change_up,
        "tsh": limits.tsh_suppressed < limits.tsh_low < limits.tsh_high < limits.tsh_frankly_high,
        "tsh.older_high": limits.tsh_high <= limits.tsh_older_high,
        "export.share_ignored": limits.export_share_ignored < 1,
        "pregnancy": limits.pregnant_low_in_each
        <= limits.pregnant_low_in_some
        < limits.pregnant_high_in_some
        <= limits.pregnant_high_in_each,
        "labs": limits.labs_settled_days <= limits.labs_first_within_days,
    }.items():
        if not sound:
            refuse(place, "these numbers contradict each other")
