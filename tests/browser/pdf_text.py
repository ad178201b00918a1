"""The words of a PDF as Chromium prints it: enough of the format to read back what stands on the paper, and no more.

Chromium writes text as numbers of glyphs and keeps beside each font which character each glyph stands for (ISO 32000-1:2008,
9.10.3, ToUnicode).
"""

import re
import zlib

OBJECT = re.compile(rb"(\d+) 0 obj(.*?)endobj", re.DOTALL)
# What stands before the last line end is data, a carriage return too.
STREAM = re.compile(rb"stream\r?\n(.*?)\nendstream", re.DOTALL)
# A font chosen, or a string of glyphs shown.
ACT = re.compile(rb"/(\w+) [\d.]+ Tf|<([0-9A-Fa-f]+)>")


def words_of(pdf: bytes) -> str:
    """All characters in the order they were drawn, without spaces: words are set apart by position alone."""
    objects = {int(number): body for number, body in OBJECT.findall(pdf)}
    fonts = {
        name: _characters(_stream(objects[int(sheet.group(1))]))
        for body in objects.values()
        for name, number in re.findall(rb"/(F\d+) (\d+) 0 R", body)
        if (sheet := re.search(rb"/ToUnicode (\d+) 0 R", objects[int(number)]))
    }
    drawn = []
    for body in objects.values():
        for contents in re.findall(rb"/Type /Page\b.*?/Contents (\d+) 0 R", body, re.DOTALL):
            drawn += _shown(_stream(objects[int(contents)]), fonts)
    return "".join("".join(drawn).split())


def _stream(body: bytes) -> bytes:
    data = STREAM.search(body).group(1)
    return zlib.decompressobj().decompress(data) if b"/FlateDecode" in body else data


def _characters(sheet: bytes) -> dict[int, str]:
    found = {}
    for lines in re.findall(rb"beginbfchar(.*?)endbfchar", sheet, re.DOTALL):
        for glyph, text in re.findall(rb"<(\w+)> <(\w+)>", lines):
            found[int(glyph, 16)] = bytes.fromhex(text.decode()).decode("utf-16-be")
    for lines in re.findall(rb"beginbfrange(.*?)endbfrange", sheet, re.DOTALL):
        for first, last, text in re.findall(rb"<(\w+)> <(\w+)> <(\w+)>", lines):
            for glyph in range(int(first, 16), int(last, 16) + 1):
                found[glyph] = chr(int(text, 16) + glyph - int(first, 16))
    return found


def _shown(contents: bytes, fonts: dict[bytes, dict[int, str]]) -> list[str]:
    characters, found = {}, []
    for font, glyphs in ACT.findall(contents):
        if font:
            characters = fonts.get(font, {})
        else:
            numbers = (int(glyphs[at : at + 4], 16) for at in range(0, len(glyphs), 4))
            found += [characters.get(number, "") for number in numbers]
    return found
