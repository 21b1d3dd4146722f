"""Every predicate by the code of its rule."""

from collections.abc import Mapping

from crossgrain.safety.rule import PlanPredicate, Predicate
from crossgrain.safety.rules import cardiac, doses, endocrine, interactions, labs, pregnancy, scope

BEFORE: Mapping[str, Predicate] = {
    **scope.PREDICATES,
    **endocrine.PREDICATES,
    **labs.PREDICATES,
    **cardiac.PREDICATES,
    **pregnancy.PREDICATES,
    **interactions.PREDICATES,
    **doses.PREDICATES,
}
AFTER: Mapping[str, PlanPredicate] = doses.PLAN_PREDICATES
