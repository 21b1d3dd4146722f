"""CodeSystems and ValueSets of our own, and the StructureDefinitions of our own extensions."""

from collections.abc import Iterable, Iterator, Mapping

from crossgrain.app.conformance.definitions import Resource, head
from crossgrain.app.conformance.read_profiles import RESULTS_ID
from crossgrain.catalogue import Catalogue
from crossgrain.cds.cards import TOPIC
from crossgrain.cds.messages import OVERRIDE_REASONS
from crossgrain.dosing.onward import Act
from crossgrain.dosing.targets import Target
from crossgrain.names.identity import FhirVersion, canonical
from crossgrain.names.series_extension import CONTEXTS, PARTS, SERIES_ID, SERIES_URL, ExtensionPart
from crossgrain.names.values import frozen
from crossgrain.operations.options import Option
from crossgrain.reading.code_tables import CodeTables
from crossgrain.reading.codesystems import Loinc
from crossgrain.reading.labs import PREGNANCY_STATUS
from crossgrain.safety.judgement import verdict_in_general
from crossgrain.safety.rule import Missing, Rule, RuleTable, in_general, titled
from crossgrain.screening.writing import GRADES_IN_SHORT, REASONS
from crossgrain.words.doses import TARGET_WORDS
from crossgrain.writing.care_plan import PRIOR_WORDS
from crossgrain.writing.elements import table
from crossgrain.writing.next_step_words import ACT_WORDS

_BASE = "http://hl7.org/fhir/StructureDefinition/Extension"
_SAYS = (
    "What an order of a proposed series, or its care plan, is part of: its plan, its step, what"
    " it orders, and the facts from which the plan's checkpoint can be computed again. It holds"
    " nothing of the patient but the doses. An order is a step of the plan only while what it"
    " orders is what it says here."
)


def series_extension(version: FhirVersion) -> Resource:
    """The extension of every order of a series and of its care plan."""
    body = head("StructureDefinition", SERIES_ID, "Switch series", _SAYS, _elements_table())
    body["fhirVersion"] = version.number
    body["kind"] = "complex-type"
    body["abstract"] = False
    body["context"] = [{"type": "element", "expression": context} for context in CONTEXTS]
    body["type"] = "Extension"
    body["baseDefinition"] = _BASE
    body["derivation"] = "constraint"
    body["differential"] = {"element": [*_root(), *_parts("Extension", "Extension", PARTS)]}
    return body


def _root() -> Iterator[Resource]:
    yield {
        "id": "Extension",
        "path": "Extension",
        "short": "Which plan and step this is, and what it was planned from",
        "definition": _SAYS,
        "min": 0,
        "max": "1",
    }


def _parts(
    own_id: str, path: str, parts: Iterable[ExtensionPart], url: str = SERIES_URL
) -> Iterator[Resource]:
    """What an extension without a value of its own holds: its parts, its url, no value."""
    inner_id, inner_path = f"{own_id}.extension", f"{path}.extension"
    yield {
        "id": inner_id,
        "path": inner_path,
        "slicing": {
            "discriminator": [{"type": "value", "path": "url"}],
            "ordered": False,
            "rules": "closed",
        },
    }
    for part in parts:
        sliced = f"{inner_id}:{part.name}"
        yield {
            "id": sliced,
            "path": inner_path,
            "sliceName": part.name,
            "short": part.meaning,
            "min": part.minimum,
            "max": part.maximum,
        }
        if part.parts:
            yield from _parts(sliced, inner_path, part.parts, part.name)
        else:
            yield from _valued(sliced, inner_path, part)
    yield _url(own_id, path, url)
    yield {"id": f"{own_id}.value[x]", "path": f"{path}.value[x]", "max": "0"}


def _valued(own_id: str, path: str, part: ExtensionPart) -> Iterator[Resource]:
    yield {"id": f"{own_id}.extension", "path": f"{path}.extension", "max": "0"}
    yield _url(own_id, path, part.name)
    yield {
        "id": f"{own_id}.value[x]",
        "path": f"{path}.value[x]",
        "min": 1,
        "type": [{"code": part.type}],
    }


def _url(own_id: str, path: str, url: str) -> Resource:
    return {"id": f"{own_id}.url", "path": f"{path}.url", "fixedUri": url}


def _elements_table() -> str:
    return table(("Part", "Times", "Type", "Meaning"), _rows(PARTS))


def _rows(parts: Iterable[ExtensionPart], within: str = "") -> Iterator[tuple[str, ...]]:
    for part in parts:
        times = f"{part.minimum}..{part.maximum}"
        yield f"{within}{part.name}", times, part.type or "parts", part.meaning
        yield from _rows(part.parts, f"{part.name} / ")


@frozen
class Concept:
    """One code: its display, what it means, and how grave it is where it is a finding."""

    code: str
    display: str
    definition: str = ""
    severity: str = ""


@frozen
class Codes:
    """A code system of ours, and the value set of all its codes."""

    id: str
    title: str
    description: str
    concepts: tuple[Concept, ...]


def every_code_system(catalogue: Catalogue, options: Iterable[Option]) -> Iterator[Codes]:
    """One per option that takes codes; then those that answers and cards use."""
    meanings = _meanings(catalogue)
    for option in options:
        if option.codes:
            known = meanings.get(option.name, {})
            yield Codes(
                option.name,
                f"Codes of {option.name}",
                option.meaning,
                tuple(
                    known.get(code, Concept(code, code.replace("-", " "))) for code in option.codes
                ),
            )
    yield Codes(
        "finding",
        "Safety findings",
        "What a safety rule found, what it could not check, and what is said of a draft order."
        " In a definition … stands for what the record gives.",
        tuple(_findings(catalogue)),
    )
    yield Codes(
        "screening",
        "What the screening finds",
        "What is wrong with a past change of preparation, and the grades of how much speaks"
        " for it.",
        (
            *(Concept(code, words) for code, words in REASONS.items()),
            *(Concept(grade, words) for grade, words in GRADES_IN_SHORT.items()),
        ),
    )
    yield Codes(
        "next-step",
        "Next steps",
        "What a visit after the first ends with.",
        tuple(Concept(act, ACT_WORDS[act]) for act in Act),
    )
    yield Codes(
        "override-reason",
        "Reasons to override a card",
        "Why a prescriber did not follow a CDS Hooks card.",
        tuple(Concept(code, display) for code, display in OVERRIDE_REASONS.items()),
    )
    yield Codes(
        "topic",
        "Topics of cards",
        "What a CDS Hooks card is about.",
        (Concept(TOPIC.code, TOPIC.display),),
    )


def _meanings(catalogue: Catalogue) -> Mapping[str, Mapping[str, Concept]]:
    concepts = {
        "target": [Concept(target, TARGET_WORDS[target]) for target in Target],
        "basis": [
            Concept(basis.id, basis.id, f"{basis.statement} Source: {basis.source}")
            for basis in catalogue.bases
        ],
        "prior-therapy": [Concept(prior, prior, words) for prior, words in PRIOR_WORDS.items()],
        "desiccated-family": [
            Concept(preparation.id, preparation.name)
            for preparation in catalogue.preparations.values()
        ],
    }
    return {name: {concept.code: concept for concept in each} for name, each in concepts.items()}


def _findings(catalogue: Catalogue) -> Iterator[Concept]:
    rules = catalogue.rules
    for rule in (*rules.before.values(), *rules.after.values()):
        yield _finding(rule.code, rule, in_general(rule, _looked_for(rule)))
    for missing in rules.missing.values():
        yield _finding(missing.code, missing, in_general(missing, _unlooked(missing, rules)))
    for verdict, rule in rules.verdicts.items():
        yield _finding(f"order-{verdict}", rule, verdict_in_general(rule, rules))


def _finding(code: str, entry: Rule | Missing, definition: str) -> Concept:
    return Concept(code, titled(entry), definition, entry.severity)


def _looked_for(rule: Rule) -> dict[str, str]:
    """Every condition, medicine or allergy that raises a rule, as one that did is named."""
    return {"what": " or ".join(map(_words, sorted(rule.keys)))} if rule.keys else {}


def _unlooked(missing: Missing, rules: RuleTable) -> dict[str, str]:
    """The rules that go unchecked without a datum."""
    looked_for = (r.looked_for for r in rules.before.values() if missing.need in r.needs)
    return {"what": ", ".join(looked_for)}


def _words(code: str) -> str:
    return code.replace("-", " ")


def code_system(codes: Codes) -> Resource:
    """The CodeSystem, complete."""
    body = head("CodeSystem", codes.id, codes.title, codes.description, _table(codes))
    body["caseSensitive"] = True
    body["valueSet"] = canonical("ValueSet", codes.id)
    body["content"] = "complete"
    body["count"] = len(codes.concepts)
    if any(concept.severity for concept in codes.concepts):
        body["property"] = [
            {
                "code": "severity",
                "description": "stop: no series. hold: not to be started before a named act."
                " note: shown.",
                "type": "code",
            }
        ]
    body["concept"] = [_concept(concept) for concept in codes.concepts]
    return body


def _concept(concept: Concept) -> Resource:
    body: Resource = {"code": str(concept.code), "display": concept.display}
    if concept.definition:
        body["definition"] = concept.definition
    if concept.severity:
        body["property"] = [{"code": "severity", "valueCode": str(concept.severity)}]
    return body


def value_set(codes: Codes) -> Resource:
    """The ValueSet of all codes of the system."""
    body = head("ValueSet", codes.id, codes.title, codes.description, _table(codes))
    body["compose"] = {"include": [{"system": canonical("CodeSystem", codes.id)}]}
    return body


def results_value_set(codes: CodeTables) -> Resource:
    """The LOINC codes by which a result is read."""
    known = {code: found.display for code, found in codes.labs.items()}
    concepts = known | {PREGNANCY_STATUS: "Pregnancy status"}
    body = head(
        "ValueSet",
        RESULTS_ID,
        "Results that are read",
        "Thyroid results, heart rate, weight and pregnancy status, by the codes of LOINC.",
        table(("Code", "Display"), concepts.items()),
    )
    listed = [{"code": code, "display": display} for code, display in concepts.items()]
    body["compose"] = {"include": [{"system": Loinc.system, "concept": listed}]}
    return body


def _table(codes: Codes) -> str:
    rows = ((concept.code, concept.display, concept.definition) for concept in codes.concepts)
    return table(("Code", "Display", "Meaning"), rows)
