"""The numbers that a past switch is judged by; ``data/screening.toml`` gives their sources."""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from fractions import Fraction
from typing import Any

from crossgrain.names.entries import only_known_keys, positive_number, refuse, table


@dataclass(frozen=True, slots=True)
class Limits:
    """Every threshold, flat; `ratio_under` stands in the file as ``under`` of ``[ratio]``.

    Attributes
    ----------
    ratio_under, ratio_over : LT4-equivalent, new over old, beyond which a switch is off
    change_up, change_down : TSH after over before that counts as up by half, down by half
    window_with_t3_days, window_without_t3_days : how long after a rise a dose may still climb
    kept_regimen_days : a stretch at least so long was meant to be kept
    kept_renewal_days : a gap or overlap between two orders of one dose that is a renewal
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
    work_at_once: int


def limits_from(shipped: Mapping[str, Any], own: Mapping[str, object] | None = None) -> Limits:
    """Read and check the table, with a deployment's own numbers over it.

    Raises
    ------
    DomainError
        for a missing, unknown or senseless number, by its place.
    """
    merged = {name: dict(table(section, name)) for name, section in shipped.items()}
    for name, raw in (own or {}).items():
        if name not in merged:
            refuse(name, f"there is no such section; there are {', '.join(merged)}")
        section = table(raw, name)
        only_known_keys(section, merged[name], name)
        merged[name].update(section)
    limits = Limits(**{f.name: _value(merged, f.name, f.type is int) for f in fields(Limits)})
    _check(limits)
    return limits


def _value(merged: Mapping[str, Mapping[str, object]], name: str, whole: bool) -> Any:
    section, _, key = name.partition("_")
    place = f"{section}.{key}"
    if key not in merged.get(section, {}):
        refuse(place, f"{key} is missing")
    number = positive_number(merged[section][key], place)
    if not whole:
        return number
    if number.denominator != 1:
        refuse(place, "this must be a whole number")
    return int(number)


def _check(limits: Limits) -> None:
    """Refuse numbers that contradict each other."""
    for place, sound in {
        "ratio": limits.ratio_under < 1 < limits.ratio_over,
        "change": limits.change_down < 1 < limits.change_up,
        "tsh": limits.tsh_suppressed < limits.tsh_low < limits.tsh_high < limits.tsh_frankly_high,
        "tsh.older_high": limits.tsh_high <= limits.tsh_older_high,
        "export.share_ignored": limits.export_share_ignored < 1,
        "labs": limits.labs_settled_days <= limits.labs_first_within_days,
    }.items():
        if not sound:
            refuse(place, "these numbers contradict each other")
