"""Every predicate by the code of its rule."""

from collections.abc import Mapping

from crossgrain.safety.rule import PlanPredicate, Predicate
from crossgrain.safety.rules import doses, labs, patient

BEFORE: Mapping[str, Predicate] = {
    **doses.SCOPE,
    **patient.ENDOCRINE,
    **labs.LABS,
    **patient.CARDIAC,
    **patient.PREGNANCY,
    **labs.INTERACTIONS,
    **doses.DOSES,
}
AFTER: Mapping[str, PlanPredicate] = doses.PLAN_PREDICATES
