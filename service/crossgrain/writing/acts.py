"""What findings want done on a day of the plan, as dated Tasks."""

from collections.abc import Iterator

from crossgrain.writing.letterhead import SERIES, Letterhead, Resource
from crossgrain.writing.narrative import paragraphs, plain


def dated_acts(letter: Letterhead) -> Iterator[Resource]:
    """One Task per finding that names an act and its day, whatever branch is followed by then."""
    for finding in letter.findings:
        if finding.act and finding.day is not None:
            on = letter.iso(finding.day)
            says = f"{letter.words(finding.day)}: {finding.act}. {finding.action}"
            body = letter.request("Task", f"Task|act|{finding.code}", SERIES, paragraphs([says]))
            body["code"] = {"text": plain(finding.act)}
            body["description"] = plain(says)
            body["note"] = letter.notes()
            body["restriction"] = {"period": {"start": on, "end": on}}
            yield body
