"""Where an answer comes from: this service at this version, and every resource it read."""

from collections.abc import Iterable

from crossgrain.names.identity import SERVICE_NAME, urn
from crossgrain.writing.letterhead import Letterhead, Resource
from crossgrain.writing.narrative import narrative, paragraph

PARTICIPANT = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"


def device(letter: Letterhead) -> Resource:
    """The service itself, to be contained."""
    return {
        "resourceType": "Device",
        "id": "service",
        "deviceName": [{"name": SERVICE_NAME, "type": "user-friendly-name"}],
        "type": {"text": "clinical decision support software"},
        "version": [{"value": letter.service_version}],
    }


def provenance(letter: Letterhead, proposed: Iterable[Resource]) -> Resource:
    """Every proposed resource as target, every resource read as entity."""
    record = letter.proposal.record
    words = (
        f"Computed by {SERVICE_NAME} {letter.service_version} from the record as read on"
        f" {letter.authored}: {', '.join(record.references) or 'no resource'}."
    )
    coding = {"system": PARTICIPANT, "code": "assembler", "display": "Assembler"}
    body: Resource = {
        "resourceType": "Provenance",
        "id": letter.id_of("Provenance"),
        "text": narrative(paragraph(words)),
        "contained": [device(letter)],
        "target": [{"reference": urn(resource["id"])} for resource in proposed],
        "recorded": letter.instant,
        "agent": [{"type": {"coding": [coding]}, "who": {"reference": "#service"}}],
    }
    if record.references:
        body["entity"] = [
            {"role": "source", "what": {"reference": reference}} for reference in record.references
        ]
    return body
