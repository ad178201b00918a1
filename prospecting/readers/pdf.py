"""What says that bytes are a PDF, and a whole one.

A PDF names itself at its beginning and marks its end (ISO 32000-1, section 7.5); that readers look through 1,024 bytes for
either, because some senders add a few of their own, is from memory.
"""

ROOM = 1024


def is_pdf(data: bytes) -> bool:
    return b"%PDF-" in data[:ROOM]


def has_its_end(data: bytes) -> bool:
    return b"%%EOF" in data[-ROOM:]
