"""The grid through the operation, and what each claim saw in it."""

from collections.abc import Iterable

from tests.properties.titration import branches, doses, draws
from tests.properties.titration.claims import Claim, Seen, name_of
from tests.properties.titration.door import ask
from tests.properties.titration.grid import Case, call_of, case
from tests.properties.titration.need import PAIRS
from tests.properties.titration.reading import Answer

CLAIMS: tuple[Claim, ...] = (*draws.CLAIMS, *branches.CLAIMS, *doses.CLAIMS)
EVERY_SENTENCE = tuple(name_of(claim) for claim in (*CLAIMS, *PAIRS))
PAIRED = 5
"""One case in so many is asked again with other results: each time costs an answer."""


def answer_to(made: Case) -> Answer | None:
    """The answer read, or nothing where the call is refused."""
    bundle = ask(made.version, call_of(made))
    return None if bundle is None else Answer(bundle, made)


def seen(seed: int, numbers: Iterable[int]) -> Seen:
    """Hold the answers of these cases to every claim."""
    found = Seen()
    for number in numbers:
        made = case(seed, number)
        answer = answer_to(made)
        ends = answer.ends if answer else "refused"
        found.answers[ends] += 1
        if answer and ends == "plan":
            for claim in CLAIMS:
                found.look(name_of(claim), number, claim(answer))
        if number % PAIRED == 0:
            for pair in PAIRS:
                found.look(name_of(pair), number, pair(made, answer_to))
    return found
