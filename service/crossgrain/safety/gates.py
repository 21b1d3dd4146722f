"""When a rule applies at all; a rule whose gate is shut is neither raised nor unchecked."""

from collections.abc import Callable, Mapping

from crossgrain.dosing.targets import DESICCATED_TARGETS, Target
from crossgrain.safety.facts import Sex
from crossgrain.safety.intent import T3_TARGETS
from crossgrain.safety.rule import Case


def _may_be_postmenopausal(case: Case) -> bool:
    """Anyone not recorded as male, and anyone whose conditions say so or are not there."""
    facts = case.facts
    return (
        facts.sex is not Sex.MALE
        or facts.conditions is None
        or any(known.key == "post-menopausal" for known in facts.conditions)
    )


GATES: Mapping[str, Callable[[Case], bool]] = {
    "always": lambda _: True,
    "any-rise": lambda case: case.intent.any_rise,
    "t3-target": lambda case: case.intent.target in T3_TARGETS,
    "lt3-alone-target": lambda case: case.intent.target is Target.LIOTHYRONINE,
    "lt4-target": lambda case: case.intent.target is Target.LEVOTHYROXINE,
    "desiccated-target": lambda case: case.intent.target in DESICCATED_TARGETS,
    "may-be-postmenopausal": _may_be_postmenopausal,
    "takes-lt4": lambda case: case.facts.regimen.pure_t4_ug > 0,
}
