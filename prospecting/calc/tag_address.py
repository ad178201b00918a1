"""What a tag's square says: the address of the lot's page, in capitals; and how a code is read back out of it."""

import re
from urllib.parse import urlsplit

from prospecting.calc.codes import read_code
from prospecting.calc.language import phrase

# Any host and anything before /lots/: a tag outlives the address the site had when it was printed.
_ADDRESS = re.compile(r"https?://[^\s?#]+?/lots/([^\s/?#]{1,40})/?(?:[?#]\S*)?", re.IGNORECASE)
MOST_SHOWN = 40


def capital_address(address: str) -> str:
    """Return `address` with scheme and host in capitals, the path as it is (give one that is in capitals already).

    A square in capitals is smaller: ISO/IEC 18004 packs two signs of its alphanumeric set (digits, capitals and
    `$%*+-./:` among them) into 11 bits, small letters take 8 bits each. Scheme and host mean the same in either case
    (RFC 3986, sections 3.1 and 3.2.2); a path does not, so the site answers to the capital path too.

    >>> capital_address("https://gold.example.org/LOTS/BRK-47-T/")
    'HTTPS://GOLD.EXAMPLE.ORG/LOTS/BRK-47-T/'
    """
    parts = urlsplit(address)
    return f"{parts.scheme.upper()}://{parts.netloc.upper()}{parts.path}"


def code_in_text(text: str) -> str:
    """Return the lot code in what was scanned or typed: a tag's address, whatever its host, or the bare code.

    Raises ValueError with a sentence for an address that is no lot's, and for a code that `read_code` refuses.
    """
    text = text.strip()
    if "://" not in text:
        return read_code(text)
    found = _ADDRESS.fullmatch(text)
    if found is None:
        shown = text if len(text) <= MOST_SHOWN else f"{text[:MOST_SHOWN]}…"
        raise ValueError(
            phrase("That is not the tag of a lot, and it is not opened. It says: {text}", text=shown)
        )
    return read_code(found[1])
