"""The stable name of an answer: what its ids are made from.

Two answers share a name only if they would order the same. Otherwise a corrected proposal,
filed with ``ifNoneExist``, would silently lose to the one filed before it.
"""

from collections.abc import Iterator, Sequence

from crossgrain.core.proposal import Proposal
from crossgrain.dosing.plan import LabDraw, OrderedCourse, Plan


def plan_name(
    proposal: Proposal,
    series: tuple[OrderedCourse, ...],
    branches: Sequence[tuple[OrderedCourse, ...]],
) -> str:
    """Patient, days, what was asked, what was found, and every dose and draw of the plan.

    Parameters
    ----------
    series, branches : the plan's doses, unconditional and of each branch
    """
    request, record = proposal.request, proposal.record
    mixture = request.mixture
    parts = [
        record.patient_reference,
        str(request.as_of),
        str(request.start),
        str(proposal.target),
        f"{request.basis_id} {request.pace} {request.prior_therapy}",
        f"{mixture.ratio} {mixture.guideline} {mixture.t3_share}",
        *request.orders,
        *(f"{line.preparation.id}={line.cycle}" for line in record.regimen),
        *(entry.reference for entry in record.current),
        *(f"{finding.severity} {finding.code}" for finding in proposal.findings),
        *(question.expression for question in record.questions),
    ]
    if proposal.plan:
        parts.extend(filter(None, _contents(proposal.plan, series, branches)))
    return "|".join(parts)


def _contents(
    plan: Plan, series: tuple[OrderedCourse, ...], branches: Sequence[tuple[OrderedCourse, ...]]
) -> Iterator[str]:
    yield _doses(series)
    yield _draws(plan.labs)
    for branch, doses in zip(plan.checkpoint.branches, branches, strict=True):
        yield branch.reading
        yield _doses(doses)
        yield _draws(branch.labs)


def _doses(courses: tuple[OrderedCourse, ...]) -> str:
    return "|".join(map(_course, courses))


def _course(course: OrderedCourse) -> str:
    line = course.line
    pieces = line.tablets.pieces if line.tablets else ()
    made_of = "+".join(f"{piece.count}x{piece.strength}" for piece in pieces)
    return (
        f"{course.first_day}-{course.last_day} {line.preparation.id} {line.amount}"
        f" {made_of} {line.doses_per_day}"
    )


def _draws(draws: tuple[LabDraw, ...]) -> str:
    return "|".join(f"{draw.purpose} {draw.day} {draw.repeat_days}" for draw in draws)
