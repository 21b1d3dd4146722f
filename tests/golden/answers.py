"""An answer without what differs from one start to the next, and its digest."""

import base64
import re
from dataclasses import dataclass
from hashlib import sha256

DIGITS = 16
"""Of a digest: 64 bits, so that among ten thousand answers no change goes unseen."""
_INSIDE = re.compile(rb'"data": ?"([A-Za-z0-9+/=]{64,})"')
"""Base64 of an attachment."""
Changing = tuple[tuple[re.Pattern[bytes], str], ...]
"""What differs from one start to the next, and the name to put in its place."""
OF_A_NIGHT: Changing = (
    (re.compile(rb"(?<=\bin )\d+\.\d s\b"), "seconds"),
    (re.compile(rb'(?<="seconds": )[\d.]+'), "seconds"),
    (re.compile(rb'(?<="sha256": ")[0-9a-f]{64}'), "digest"),
    (re.compile(rb'(?<="flags.parquet": \{)\s+"bytes": \d+'), "bytes"),
)
"""How long it took, and what the writer of Parquet files puts in of its own version."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back.

    Attributes
    ----------
    head : how it ended: the status and the media type, or the exit code
    parts : what stood in it, each under its name
    """

    head: str
    parts: tuple[tuple[str, bytes], ...]

    def without(self, changing: Changing) -> "Answer":
        """The same with what changes, such as the version, replaced by its name.

        Attachments are decoded, so that what changes inside them is replaced and read, too.
        """
        return Answer(self.head, tuple((n, _plain(body, changing)) for n, body in self.parts))

    @property
    def digest(self) -> str:
        """The first digits of SHA-256 over all of it."""
        whole = sha256(self.head.encode())
        for name, body in self.parts:
            whole.update(b"\n%s\n%d\n" % (name.encode(), len(body)))
            whole.update(body)
        return whole.hexdigest()[:DIGITS]


def _plain(body: bytes, changing: Changing) -> bytes:
    body = _INSIDE.sub(lambda found: b'"data":"' + _decoded(found[1]) + b'"', body)
    for pattern, name in changing:
        body = pattern.sub(b"{%s}" % name.encode(), body)
    return body


def _decoded(data: bytes) -> bytes:
    text = base64.b64decode(data)
    return text.replace(b"\\", rb"\\").replace(b'"', rb"\"").replace(b"\n", rb"\n")
