"""A record's questions as a form: each with its name, its words and its possible answers."""

from collections.abc import Mapping
from dataclasses import field

from crossgrain.dosing.preparations import Preparation
from crossgrain.dosing.regimens import DoseLine
from crossgrain.names.identity import urn
from crossgrain.names.values import frozen
from crossgrain.reading.clear import Resource
from crossgrain.reading.reading import NOTHING_VOUCHED, Vouched
from crossgrain.reading.record import Question
from crossgrain.reading.resolve import Entry

OTHERWISE = "otherwise"
"""The choice that none of the doses shown is right; the dose that is stands beside it."""


@frozen
class Amendment:
    """What an answer changes of a call.

    Attributes
    ----------
    resources : number of an entry → the resource in its place; ``None`` where it is left out
    settled : what no element of a resource could say
    added : resources that the record lacked
    options : name and value of options that the answer gives
    """

    resources: Mapping[int, Resource | None] = field(default_factory=dict)
    settled: Vouched = NOTHING_VOUCHED
    added: tuple[Resource, ...] = ()
    options: tuple[tuple[str, str], ...] = ()


@frozen
class PossibleAnswer:
    """One possible answer: its code, its words, and what it changes."""

    code: str
    words: str
    change: Amendment = Amendment()
    lines: tuple[DoseLine, ...] = ()


@frozen
class Posed:
    """A question as it stands in a form.

    Attributes
    ----------
    question : of the record
    id : its name, for as long as the same is asked of the same
    resource, element : type of the resource that is asked about, and the element of it
    medicine : what the record calls the medicine, or empty
    words : the record's own, which are asked about
    choices : the possible answers; none where a form cannot answer it
    doses : the medicines of which a dose a day can be given instead
    entry : the resource that is asked about
    number : of its entry
    count : the most that a number may be, where a number is asked for
    content : digest of the resource
    """

    question: Question
    id: str
    resource: str
    element: str = ""
    medicine: str = ""
    words: tuple[str, ...] = ()
    choices: tuple[PossibleAnswer, ...] = ()
    doses: tuple[Preparation, ...] = ()
    entry: Entry | None = None
    number: int = -1
    count: int | None = None
    content: str = ""

    @property
    def words_asked(self) -> str:
        """The question, after what the record calls the medicine."""
        named = f"{self.medicine}: " if self.medicine else ""
        return f"{named}{self.question.question}"

    @property
    def quoted(self) -> tuple[str, ...]:
        """The record's own words, each said to be that."""
        return tuple(f"The record says: “{words}”" for words in self.words)

    @property
    def readings(self) -> tuple[PossibleAnswer, ...]:
        """The choices that name a dose."""
        return tuple(choice for choice in self.choices if choice.lines)


@frozen
class QuestionForm:
    """Every question of one record, and the name of the form that they make."""

    posed: tuple[Posed, ...]
    id: str

    @property
    def url(self) -> str:
        """Its canonical."""
        return urn(self.id)
