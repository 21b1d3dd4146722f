"""What a branch says of itself: which medicine changes, by how much, on which bases."""

from collections.abc import Sequence

from crossgrain.dosing.branch_doses import (
    Change,
    Hold,
    excess,
    is_gentle,
    passes_label_step,
    passes_t3,
)
from crossgrain.dosing.case import Enabled, SwitchCase
from crossgrain.dosing.taper import TIE
from crossgrain.names.printing import micrograms, percent, whole_percent


def words_of_raise(case: SwitchCase, hold: Hold, change: Change) -> str:
    """A raise: what rises, by how much, and what else must be said of it."""
    name = name_of(case, change.changed[0])
    rise = f"{name} rises, the whole dose by {part_of(change)} on {named(change.on)}"
    short = change.on != case.enabled or _is_short(case, hold)
    words = [
        f"The dose is short: {rise}; then repeat the labs."
        if short
        else "Short although every basis in use calls this dose enough: check adherence and"
        f" absorption first. Then {rise}; repeat the labs.",
        *_why_not_the_main(case, change),
    ]
    if any(hold.remainder.values()) or excess(case, hold):
        words.append("What else is taken stays as it is until then.")
    if change.to_pass_in_range:
        words.append(
            "On some basis a smaller raise would come to no more than what labs in range lead to."
        )
    elif not is_gentle(case, change):
        words.append("No tablets make a smaller raise that is enough.")
    if passes_label_step(case, hold, change):
        most = micrograms(case.policy.lt4_raise_ug)
        words.append(f"This is more than the {most} that its label adds at a time.")
    if short and all(e.coverage(case.intake(change.taken)) > 1 for e in case.enabled):
        words.append(
            "Every basis in use then calls the dose enough: if labs call it short once more, look"
            " for missed doses and poor absorption before going on."
        )
    return " ".join(words)


def _is_short(case: SwitchCase, hold: Hold) -> bool:
    intake = case.intake(hold.taken)
    return any(enabled.coverage(intake) < 1 - TIE for enabled in case.enabled)


def _why_not_the_main(case: SwitchCase, change: Change) -> list[str]:
    """Why levothyroxine rises and not the target's main medicine."""
    if not change.instead_of:
        return []
    other = change.instead_of
    main = name_of(case, other.changed[0])
    if passes_t3(case, other):
        most = micrograms(case.policy.branches.most_t3_ug)
        return [f"With more {main} swallowed T3 would pass {most} a day."]
    return [f"The smallest raise by {main} would be {part_of(other)} at once."]


def words_of_staying(case: SwitchCase, hold: Hold) -> str:
    """Labs in range where no dose changes."""
    if any(hold.remainder.values()) or excess(case, hold):
        return (
            "Stay on this dose, what is left of the old medicine included: whatever would take its"
            " place is as much as what labs called too much. Then the maintenance labs."
        )
    if hold.proved:
        return "Two labs in a row are in range: stay on this dose; then the maintenance labs."
    return "Stay on this dose; then the maintenance labs."


def words_of_exchange(case: SwitchCase, change: Change) -> str:
    """Labs in range where what is left of the old medicine ends."""
    words = (
        "Stay at this level. What is left of the old medicine ends, and the new one makes up for it"
        f" at equal coverage, as near as tablets come, on {named(change.on)}, which these labs"
        " support best; then repeat the labs."
    )
    if not case.too_much:
        return words
    return f"{words} No dose on the way or at its end is as much as what labs called too much."


def words_of_no_exchange() -> str:
    """Labs in range where tablets let nothing take the place of the old medicine."""
    return (
        "Stay on this dose, what is left of the old medicine included: no tablets in stock or at"
        " home make an exchange for it in safe steps. Then the maintenance labs; once other"
        " strengths can be had, plan again."
    )


def words_of_step_back(case: SwitchCase, hold: Hold, change: Change, least: float) -> str:
    """A step back: what falls, and by how much; `least` is what it was to fall at the least."""
    names = " and ".join(name_of(case, key) for key in change.changed)
    words = ["Do not climb."]
    if not change.changed:
        words.append("No smaller dose can be ordered: the prescriber says which days to leave out.")
    else:
        words.append(f"Step back: less {names}, the whole dose {part_of(change)} less on")
        words.append(f"{named(change.on)}.")
        if change.least < least - TIE:
            words.append(f"No tablets make a step of {whole_percent(least)} that leaves a dose.")
        elif not is_gentle(case, change):
            words.append("No tablets make a smaller step that is enough.")
    words.append("Repeat the labs; urgent symptoms are the prescriber's at once.")
    return " ".join(words)


def named(on: Sequence[Enabled]) -> str:
    """The bases that a change was sized on: “label”, “trial” and “content”."""
    *names, last = [f"“{enabled.basis.id}”" for enabled in on]
    return f"{', '.join(names)} and {last}" if names else last


def name_of(case: SwitchCase, key: str) -> str:
    """A medicine without its strength family, of which a plan has one."""
    return case.preparations[key].name.partition(",")[0]


def part_of(change: Change) -> str:
    """How far the dose changes on the bases left open."""
    least, most = percent(change.least), percent(change.most)
    return least if least == most else f"{least} to {most}"
