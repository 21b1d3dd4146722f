"""Answers beside a record: each applied to the questions that this very record gives.

The record is judged without them first. What it then leaves open is the form that an answer must
name; the answered record is judged again. What the answer raised in turn is a form of its own, and
the next response may answer that one, in the same call or in the next.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Generic, TypeVar

from crossgrain.names.values import frozen
from crossgrain.operations.faults import Fault, refusal, refused_by_reader
from crossgrain.operations.parameters import Call
from crossgrain.reading.answers import amended, names_form
from crossgrain.reading.door import Look
from crossgrain.reading.elements import Unreadable
from crossgrain.reading.posing import posed_in
from crossgrain.reading.question_form import QuestionForm
from crossgrain.reading.record import Question, Testimony

T = TypeVar("T")


@frozen
class Judged(Generic[T]):
    """What was made of a call with its answers: the call as answered, and what it leaves open."""

    made: T
    call: Call
    form: QuestionForm | None


def judged_with_answers(
    call: Call,
    judge: Callable[[Call], T],
    questions_of: Callable[[T], Sequence[Question]],
    look: Callable[[Call], Look],
) -> Judged[T]:
    """Judge a call, and judge it again with each response that answers what was left open.

    Raises
    ------
    RequestRefused
        for a response that answers none of the forms of this record, or not as they ask.
    """
    made = judge(call)
    form = _form(call, questions_of(made), look)
    left = list(call.responses)
    while left:
        answering = [one for one in left if form and names_form(one[0], form)]
        if form is None or not answering:
            raise refusal(Fault.OPTIONS_DISAGREE, f"{left[0][1]}.questionnaire", _OF_NO_FORM)
        left.remove(answering[0])
        call = _answered(call, form, answering[0], look)
        made = judge(call)
        form = _form(call, questions_of(made), look)
    return Judged(made, call, form)


_OF_NO_FORM = (
    "these are answers to other questions than this record leaves open: ask again without answers,"
    " and answer the Questionnaire that comes then"
)


def _form(
    call: Call, questions: Sequence[Question], look: Callable[[Call], Look]
) -> QuestionForm | None:
    return posed_in(call.record, questions, **look(call)) if questions else None


def _answered(
    call: Call,
    form: QuestionForm,
    response: tuple[dict[str, object], str],
    look: Callable[[Call], Look],
) -> Call:
    try:
        found = amended(call.record, form, *response, **look(call))
    except Unreadable as error:
        raise refused_by_reader(error) from error
    before = call.testimony
    return replace(
        call,
        record=found.bundle,
        settled=call.settled.and_also(found.settled),
        chosen=(*call.chosen, *found.options),
        testimony=Testimony(
            (*before.confirmed, *found.testimony.confirmed),
            (*before.sources, *found.testimony.sources),
        ),
    )
