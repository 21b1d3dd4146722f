"""One patient's lines to an answer: the pure screening behind the reader."""

from collections.abc import Iterable
from dataclasses import dataclass

from crossgrain.catalogue import Catalogue
from crossgrain.fhir.read.course import read_course
from crossgrain.fhir.read.errors import Unreadable
from crossgrain.fhir.read.json import parse
from crossgrain.fhir.version import FhirVersion
from crossgrain.nightly.answers import Answer, answer_of
from crossgrain.screening.course import Undecided
from crossgrain.screening.flags import Outcome, Screened
from crossgrain.screening.screen import Ruler, screen


@dataclass(frozen=True, slots=True)
class Judge:
    """What every patient of a run is judged with."""

    catalogue: Catalogue
    ruler: Ruler
    version: FhirVersion

    def answer(self, patient: str, lines: Iterable[bytes]) -> Answer:
        """The answer of one patient; what cannot be read ends as needing review.

        So does a record on which the service itself fails: one patient must not keep a
        population from being screened, nor be left out of it.
        """
        try:
            screened = self._screened(lines)
        except Exception as fault:
            said = f"the service itself failed on this record ({type(fault).__name__})"
            screened = Screened(Outcome.NEEDS_REVIEW, why=said)
        return answer_of(patient, screened)

    def _screened(self, lines: Iterable[bytes]) -> Screened:
        try:
            bundle = {
                "resourceType": "Bundle",
                "type": "collection",
                "entry": [{"resource": parse(line)} for line in lines],
            }
            course = read_course(
                bundle,
                version=self.version,
                as_of=self.ruler.as_of,
                codes=self.catalogue.codes,
                preparations=self.catalogue.preparations,
            )
        except Unreadable as wrong:
            place = f" ({wrong.expression})" if wrong.expression else ""
            return Screened(Outcome.NEEDS_REVIEW, why=f"{wrong.message}{place}")
        except Undecided as undecided:
            return Screened(
                Outcome.NEEDS_REVIEW, why=undecided.reason, references=undecided.references
            )
        return screen(course, self.ruler)
