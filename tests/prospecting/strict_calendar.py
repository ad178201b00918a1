"""A small strict reader of iCalendar text after RFC 5545: what it takes, the standard allows."""

import re
from dataclasses import dataclass, field

# Section 3.1: name, parameters, value. No parameter here is quoted.
CONTENT_LINE = re.compile(
    r"(?P<name>[A-Z0-9-]+)"
    r"(?P<parameters>(;[A-Z0-9-]+=[^;:,\"\x00-\x1f]+)*)"
    r":(?P<value>[^\x00-\x08\x0a-\x1f\x7f]*)"
)
# Section 3.8: these hold TEXT, whose signs are escaped (3.3.11).
TEXTS = {"SUMMARY", "DESCRIPTION", "NAME", "UID", "PRODID"}
# Which properties stand exactly once: sections 3.6, 3.6.1 and 3.6.6.
NEEDED = {
    "VCALENDAR": {"PRODID", "VERSION"},
    "VEVENT": {"UID", "DTSTAMP", "DTSTART"},
    "VALARM": {"ACTION", "TRIGGER", "DESCRIPTION"},
}
SHAPES = {
    "DTSTAMP": r"\d{8}T\d{6}Z",
    "LAST-MODIFIED": r"\d{8}T\d{6}Z",
    "DTSTART": r"\d{8}",
    "SEQUENCE": r"\d+",
    "STATUS": r"TENTATIVE|CONFIRMED|CANCELLED",
    "TRANSP": r"OPAQUE|TRANSPARENT",
    "TRIGGER": r"-?P(\d+D|T\d+S)",
    "REFRESH-INTERVAL": r"P(\d+D|T\d+H)",
    "URL": r"https?://[^\s]+",
}
INSIDE = {"VCALENDAR": "", "VEVENT": "VCALENDAR", "VALARM": "VEVENT"}


@dataclass
class Component:
    kind: str
    properties: dict[str, str] = field(default_factory=dict)
    parameters: dict[str, list[str]] = field(default_factory=dict)
    inside: list["Component"] = field(default_factory=list)

    @property
    def events(self) -> list["Component"]:
        return [each for each in self.inside if each.kind == "VEVENT"]

    @property
    def alarms(self) -> list["Component"]:
        return [each for each in self.inside if each.kind == "VALARM"]


def unfolded(text: str) -> str:
    return re.sub(r"\r\n[ \t]", "", text)


def unescaped(value: str) -> str:
    assert not re.search(r"(?<!\\)(\\\\)*[;,]", value), f"a bare sign in {value!r}"
    assert not re.search(r"(?<!\\)(\\\\)*\\[^\\;,nN]", value), f"an unknown escape in {value!r}"
    return re.sub(r"\\(.)", lambda found: "\n" if found[1] in "nN" else found[1], value)


def read_calendar(text: str) -> Component:
    assert text.endswith("\r\n")
    assert "\n" not in text.replace("\r\n", ""), "a line is ended by something else than CRLF"
    for line in text.split("\r\n"):
        assert len(line.encode()) <= 75, f"too long: {line}"
    lines = unfolded(text).removesuffix("\r\n").split("\r\n")
    opened: list[Component] = []
    for at, line in enumerate(lines):
        match = CONTENT_LINE.fullmatch(line)
        assert match, f"no content line: {line!r}"
        name, value = match["name"], match["value"]
        if name == "BEGIN":
            assert INSIDE[value] == (opened[-1].kind if opened else "")
            opened.append(Component(value))
        elif name == "END":
            done = opened.pop()
            assert done.kind == value
            assert set(done.properties) >= NEEDED[value], f"{value} lacks a property"
            if not opened:
                assert at == len(lines) - 1, "something stands after the calendar"
                _check_uids(done)
                return done
            opened[-1].inside.append(done)
        else:
            _add(opened[-1], name, match["parameters"], value)
    raise AssertionError("the calendar does not end")


def _add(component: Component, name: str, parameters: str, value: str) -> None:
    assert name not in component.properties, f"{name} twice"
    assert re.fullmatch(SHAPES.get(name, r"(?s).*"), value), f"{name} is {value!r}"
    component.properties[name] = unescaped(value) if name in TEXTS else value
    component.parameters[name] = parameters.split(";")[1:]


def _check_uids(calendar: Component) -> None:
    uids = [event.properties["UID"] for event in calendar.events]
    assert len(uids) == len(set(uids)), "two entries have one UID"
