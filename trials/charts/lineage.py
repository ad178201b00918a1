"""The picture of a lot's family, top to bottom: digs, the lots made of them, the lot asked about, and what was made of it.

Groups and flows in, coordinates out. Steps and lots stand on lines, as many on a line as a phone has room for; a flow that
passes a line runs through a gap left for it. What a step lost leaves it to the right as a broken line.
"""

import datetime
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from django.utils import dateformat

from prospecting.calc import units
from prospecting.calc.ancestry import Flow, Group, levels
from prospecting.calc.language import phrase, phrase_counted, to_phrase

# All lengths in units of the viewBox, on a phone about a pixel.
WIDTH, EDGE = 360.0, 4.0
# Widest and narrowest box, the gap between boxes, and the room a passing flow takes.
WIDEST_BOX, NARROWEST_BOX, BETWEEN, PASSING = 196.0, 78.0, 9.0, 12.0
MOST_ON_LINE = 4
LINE_HEIGHT, PADDING, CODE_HEIGHT = 15.0, 7.0, 16.0
# Average width of a sign of the small text, of the bold text, and of a code.
SIGN, BOLD_SIGN, CODE_SIGN = 6.3, 7.2, 8.2
# From a lot down to a step there is room for the mass drawn, from a step down to a lot for what was lost.
ABOVE_STEP, BELOW_STEP, TOP, BOTTOM = 40.0, 36.0, 14.0, 12.0
THINNEST, THICKEST = 1.5, 9.0
# The picture is cut between two lines into pieces that fit on a printed page.
PAGE = 660.0
MOST_CODES = 4
_LOST = {
    "dry": to_phrase("{mass} water"),
    "recover": to_phrase("{mass} not kept"),
    "reweigh": to_phrase("{mass} missing"),
    "discard": to_phrase("{mass} thrown away"),
}
_LOST_ELSE = to_phrase("{mass} lost")


@dataclass(frozen=True)
class Text:
    """A line of a box or beside a flow; `css` says how it is set."""

    x: float
    y: float
    text: str
    css: str = ""
    anchor: str = "middle"


@dataclass(frozen=True)
class Box:
    """Lots or steps in their place; `css` names what they are, so that line and pattern can say what the words say."""

    x: float
    y: float
    width: float
    height: float
    css: str
    url: str
    texts: Sequence[Text]
    # Dots that say the family goes on where it is not drawn.
    dots: Sequence[tuple[float, float]] = ()
    radius: float = 4.0
    is_many: bool = False


@dataclass(frozen=True)
class Stream:
    """A flow as a line whose thickness tells the mass, with the head of its arrow."""

    path: str
    thickness: float
    head: str
    css: str = "flow"


@dataclass(frozen=True)
class Piece:
    """One printed page of the picture: where it is cut, and what lies on it."""

    top: float
    height: float
    streams: Sequence[Stream]
    boxes: Sequence[Box]
    texts: Sequence[Text]
    label: str
    width: float = WIDTH


@dataclass(frozen=True)
class LineageChart:
    pieces: Sequence[Piece]
    description: str


@dataclass
class _Spot:
    """A box or a passing flow while its place is being found; `parts` are the words of a box, top to bottom."""

    group: Group | None
    width: float = PASSING
    height: float = 0.0
    x: float = WIDTH / 2
    parts: list[tuple[str, str]] = field(default_factory=list)


# A box by its group's key, or a flow passing a line: (source, target, line).
Key = int | tuple[int, int, int]


def lineage_chart(
    groups: Sequence[Group], flows: Sequence[Flow], *, mass_unit: str, label: str
) -> LineageChart:
    """Return the whole picture, masses in `mass_unit` ("lb" or "kg"). Flows that lead in a circle raise ValueError."""
    by_key = {group.key: group for group in groups}
    lines, ways = _lines(by_key, flows)
    spots = _spots(lines, by_key, mass_unit)
    lines = _untangled(lines, ways)
    _placed_across(lines, ways, spots)
    tops = _tops(lines, spots)
    heaviest = max((flow.mass_g for flow in flows), default=Decimal(1))
    streams, texts = _streams(flows, ways, lines, spots, tops, heaviest, mass_unit)
    boxes = []
    for line, top in zip(lines, tops, strict=True):
        boxes += [_box(spots[key], top) for key in line if spots[key].group is not None]
        lost, words = _losses(line, top, spots, heaviest, mass_unit)
        streams += lost
        texts += words
    bottom = tops[-1] + max(spots[key].height for key in lines[-1]) + BELOW_STEP
    return LineageChart(
        pieces=_pieces(tops, bottom, streams, boxes, texts, label),
        description=_description([by_key[key] for line in lines for key in line if key in by_key], mass_unit),
    )


def words_of(group: Group) -> str:
    """The heading of a box: what it is, and how many."""
    if group.number == 1:
        return group.word
    if not group.is_step:
        return f"{group.number} {group.word}"
    if group.kind == "dig":
        return phrase_counted("{number} dig", "{number} digs", group.number)
    if group.kind == "recover":
        return phrase_counted("{number} pan", "{number} pans", group.number)
    return f"{group.number} × {group.word}"


def days_of(group: Group) -> str:
    """The day of a step, or the first and last of several."""
    first, last = group.days
    if first == last:
        return _day(first)
    if (first.year, first.month) == (last.year, last.month):
        return phrase("{first} to {last}", first=first.day, last=_day(last))
    short = dateformat.format(first, "j M") if first.year == last.year else _day(first)
    return phrase("{first} to {last}", first=short, last=_day(last))


def _day(day: datetime.date) -> str:
    return dateformat.format(day, "j M Y")


def _lines(
    by_key: Mapping[int, Group], flows: Sequence[Flow]
) -> tuple[list[list[Key]], dict[tuple[int, int], list[Key]]]:
    """The boxes of each line, with the passing flows among them, and the way of each flow from box to box."""
    level = levels([(flow.source, flow.target) for flow in flows]) or dict.fromkeys(by_key, 0)
    rows: dict[int, list[int]] = defaultdict(list)
    for key in by_key:
        rows[level[key]].append(key)
    has_more = {flow.source for flow in flows}
    most = MOST_ON_LINE
    while True:
        # Of a level with too many boxes those that lead nowhere come first, so that fewer flows have to pass a line.
        ordered = [sorted(rows[number], key=lambda key: key in has_more) for number in sorted(rows)]
        lines: list[list[Key]] = [part for row in ordered for part in _parts(row, most)]
        line_of = {key: number for number, line in enumerate(lines) for key in line}
        ways = {}
        for flow in flows:
            between = range(line_of[flow.source] + 1, line_of[flow.target])
            passing = [(flow.source, flow.target, number) for number in between]
            for key in passing:
                lines[key[-1]].append(key)
            ways[flow.source, flow.target] = [flow.source, *passing, flow.target]
        if most == 1 or all(_box_width(line) >= NARROWEST_BOX for line in lines):
            return lines, ways
        most -= 1


def _parts(row: Sequence[int], most: int) -> list[list[Key]]:
    """The row in as few lines as hold it, each with about as many boxes."""
    number = -(-len(row) // most)
    size = -(-len(row) // number)
    return [list(row[start : start + size]) for start in range(0, len(row), size)]


def _box_width(line: Sequence[Key]) -> float:
    """The room for each box of a line beside what passes it."""
    boxes = sum(isinstance(key, int) for key in line)
    room = WIDTH - 2 * EDGE - (len(line) - boxes) * PASSING - (len(line) - 1) * BETWEEN
    return min(WIDEST_BOX, room / boxes) if boxes else WIDEST_BOX


def _squeeze(line: Sequence[Key]) -> float:
    """How much closer than usual flows have to pass a single box, 1 where there is room."""
    others = len(line) - 1
    room = WIDTH - 2 * EDGE - NARROWEST_BOX
    return min(1.0, room / (others * (PASSING + BETWEEN))) if others else 1.0


def _spots(lines: Sequence[Sequence[Key]], by_key: Mapping[int, Group], mass_unit: str) -> dict[Key, _Spot]:
    spots: dict[Key, _Spot] = {}
    for line in lines:
        width = max(NARROWEST_BOX, _box_width(line))
        for key in line:
            if not isinstance(key, int):
                spots[key] = _Spot(None, PASSING * _squeeze(line))
                continue
            parts = _parts_of(by_key[key], width, mass_unit)
            # A line of boxes is as wide as it needs; a box alone need not fill the phone.
            needs = max(len(text) * _sign(css) for css, text in parts) + 2 * PADDING + 6
            height = 2 * PADDING + sum(CODE_HEIGHT if css == "lot-code" else LINE_HEIGHT for css, _ in parts)
            spots[key] = _Spot(by_key[key], min(width, max(needs, 64.0)), height, parts=parts)
    return spots


def _sign(css: str) -> float:
    return {"lot-code": CODE_SIGN, "label": BOLD_SIGN, "alert": BOLD_SIGN}.get(css, SIGN)


def _parts_of(group: Group, width: float, mass_unit: str) -> list[tuple[str, str]]:
    """(css, words) of each line of the box."""
    inner = width - 2 * PADDING
    parts: list[tuple[str, str]] = []
    if group.is_step:
        parts += _wrapped("label", words_of(group), inner)
        for fact in group.facts:
            parts += _wrapped("", fact, inner)
        parts += _wrapped("quiet", days_of(group), inner)
        if group.others_in:
            mass = units.format_mass(group.others_in_g, mass_unit)
            parts += _wrapped(
                "quiet", phrase("with {mass} of {others}", mass=mass, others=_others(group.others_in)), inner
            )
        if group.others_out:
            mass = units.format_mass(group.others_out_g, mass_unit)
            parts += _wrapped("quiet", f"+ {_others(group.others_out)}, {mass}", inner)
    else:
        if group.is_root:
            parts.append(("label", phrase("This lot")))
        mass = units.format_mass(group.mass_g, mass_unit)
        if group.number == 1:
            parts.append(("lot-code", group.codes[0]))
            parts += _wrapped("", f"{group.word}, {mass}", inner)
        else:
            parts += _wrapped("label", words_of(group), inner)
            parts += _wrapped("", mass, inner)
            shown = group.codes if group.number <= MOST_CODES else group.codes[: MOST_CODES - 1]
            parts += [("small-code", line) for line in _codes(shown, inner)]
            if len(shown) < group.number:
                parts.append(("quiet", phrase("and {number} more", number=group.number - len(shown))))
        for fact in group.facts:
            parts += _wrapped("label", fact, inner)
    if group.is_marked:
        parts.append(("alert", phrase("marked")))
    if group.is_void:
        parts.append(("alert", phrase("voided")))
    return parts


def _others(number: int) -> str:
    return phrase_counted("{number} other lot", "{number} other lots", number)


def _wrapped(css: str, text: str, width: float) -> list[tuple[str, str]]:
    """The words on as few lines as they fill; one too long for a line is cut."""
    most = max(6, int(width / _sign(css)))
    lines: list[str] = []
    for word in (part for whole in text.split() for part in _cut(whole, most)):
        if lines and len(lines[-1]) + 1 + len(word) <= most:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return [(css, line) for line in lines]


def _cut(word: str, most: int) -> list[str]:
    return [word[start : start + most] for start in range(0, len(word), most)]


def _codes(codes: Sequence[str], width: float) -> list[str]:
    each = max(1, int(width // (max(map(len, codes), default=8) * 7.2 + 6)))
    return ["  ".join(codes[start : start + each]) for start in range(0, len(codes), each)]


def _neighbours(
    ways: Mapping[tuple[int, int], Sequence[Key]],
) -> tuple[dict[Key, list[Key]], dict[Key, list[Key]]]:
    """What stands just above and just below each box or passing flow."""
    above: dict[Key, list[Key]] = defaultdict(list)
    below: dict[Key, list[Key]] = defaultdict(list)
    for way in ways.values():
        for upper, lower in zip(way, way[1:], strict=False):
            above[lower].append(upper)
            below[upper].append(lower)
    return above, below


def _untangled(lines: list[list[Key]], ways: Mapping[tuple[int, int], Sequence[Key]]) -> list[list[Key]]:
    """Each line ordered by the mean place of what it hangs together with, down and up a few times, so that few flows cross."""
    above, below = _neighbours(ways)
    lines = [list(line) for line in lines]
    place = {key: share for line in lines for key, share in _shares(line)}
    for _ in range(4):
        for side, order in ((above, lines[1:]), (below, lines[-2::-1])):
            for line in order:
                # Where a passing flow and a box want the same place the order they are in decides.
                wanted = {key: _mean([place[other] for other in side[key]], place[key]) for key in line}
                line.sort(key=wanted.__getitem__)
                place.update(_shares(line))
    return lines


def _shares(line: Sequence[Key]) -> list[tuple[Key, float]]:
    """Where each stands on its line, from 0 left to 1 right."""
    return [(key, (at + 0.5) / len(line)) for at, key in enumerate(line)]


def _mean(values: Sequence[float], otherwise: float) -> float:
    return sum(values) / len(values) if values else otherwise


def _placed_across(
    lines: Sequence[Sequence[Key]], ways: Mapping[tuple[int, int], Sequence[Key]], spots: Mapping[Key, _Spot]
) -> None:
    above, below = _neighbours(ways)
    for line in lines:
        _spread(line, spots, [spots[key].x for key in line])
    for _ in range(4):
        for side, order in ((above, lines), (below, lines[::-1]), (None, lines)):
            for line in order:
                wanted = [
                    _mean(
                        [spots[other].x for other in (side[key] if side else above[key] + below[key])],
                        spots[key].x,
                    )
                    for key in line
                ]
                _spread(line, spots, wanted)


def _spread(line: Sequence[Key], spots: Mapping[Key, _Spot], wanted: Sequence[float]) -> None:
    """Put each as near to where it is wanted as order, widths and the edges allow: the mean of packing from left and right."""
    gap = BETWEEN * _squeeze(line)
    half = [spots[key].width / 2 for key in line]
    left = _packed(wanted, half, gap)
    right = [WIDTH - x for x in _packed([WIDTH - x for x in reversed(wanted)], half[::-1], gap)][::-1]
    for key, one, other in zip(line, left, right, strict=True):
        spots[key].x = (one + other) / 2


def _packed(wanted: Sequence[float], half: Sequence[float], gap: float) -> list[float]:
    """From the left, each where it is wanted or as near as its neighbour lets it; then back from the right edge."""
    places, edge = [], EDGE - gap
    for x, own in zip(wanted, half, strict=True):
        places.append(max(x, edge + gap + own))
        edge = places[-1] + own
    edge = WIDTH - EDGE + gap
    for at in range(len(places) - 1, -1, -1):
        places[at] = min(places[at], edge - gap - half[at])
        edge = places[at] - half[at]
    return places


def _tops(lines: Sequence[Sequence[Key]], spots: Mapping[Key, _Spot]) -> list[float]:
    """The upper edge of each line."""
    tops, y = [], TOP
    for line in lines:
        boxes = [spots[key] for key in line if spots[key].group is not None]
        if tops:
            y += ABOVE_STEP if any(spot.group.is_step for spot in boxes) else BELOW_STEP
        tops.append(y)
        tallest = max((spot.height for spot in boxes), default=0)
        for key in line:
            if spots[key].group is None:
                spots[key].height = tallest
        y += tallest
    return tops


def _streams(
    flows: Sequence[Flow],
    ways: Mapping[tuple[int, int], Sequence[Key]],
    lines: Sequence[Sequence[Key]],
    spots: Mapping[Key, _Spot],
    tops: Sequence[float],
    heaviest: Decimal,
    mass_unit: str,
) -> tuple[list[Stream], list[Text]]:
    top_of = {key: top for line, top in zip(lines, tops, strict=True) for key in line}
    leaves, comes = _ends(ways, spots)
    streams, texts = [], []
    for flow in sorted(flows, key=lambda each: -each.mass_g):
        way = ways[flow.source, flow.target]
        thickness = _thickness(flow.mass_g, heaviest)
        points = [(leaves[tuple(way[:2])], top_of[way[0]] + spots[way[0]].height)]
        for key in way[1:-1]:
            points += [(spots[key].x, top_of[key]), (spots[key].x, top_of[key] + spots[key].height)]
        points.append((comes[tuple(way[-2:])], top_of[way[-1]]))
        streams.append(Stream(_path(points, thickness), thickness, _head(*points[-1], thickness)))
        if flow.is_draw:
            single = sum(source == flow.source for source, _ in ways) == 1
            x, y = (points[0][0], points[0][1] + 17) if single else (points[-1][0], points[-1][1] - 13)
            texts.append(Text(_in(x, 26), _in_text(y), units.format_mass(flow.mass_g, mass_unit), "halo"))
    return streams, _apart(texts)


def _ends(
    ways: Mapping[tuple[int, int], Sequence[Key]], spots: Mapping[Key, _Spot]
) -> tuple[dict[tuple[Key, Key], float], dict[tuple[Key, Key], float]]:
    """Where along its boxes each flow leaves and comes in, side by side in the order of where they lead."""
    leaves: dict[tuple[Key, Key], float] = {}
    comes: dict[tuple[Key, Key], float] = {}
    out: dict[Key, list[Key]] = defaultdict(list)
    into: dict[Key, list[Key]] = defaultdict(list)
    for way in ways.values():
        out[way[0]].append(way[1])
        into[way[-1]].append(way[-2])
    for key, others in out.items():
        for at, other in enumerate(sorted(others, key=lambda each: spots[each].x)):
            leaves[key, other] = _end(spots[key], at, len(others))
    for key, others in into.items():
        for at, other in enumerate(sorted(others, key=lambda each: spots[each].x)):
            comes[other, key] = _end(spots[key], at, len(others))
    return leaves, comes


def _end(spot: _Spot, at: int, number: int) -> float:
    step = min(24.0, (spot.width - 20) / number)
    return spot.x + (at - (number - 1) / 2) * step


def _thickness(mass_g: Decimal, heaviest: Decimal) -> float:
    return round(max(THINNEST, THICKEST * float(mass_g / heaviest)), 1)


def _path(points: Sequence[tuple[float, float]], thickness: float) -> str:
    """A line that leaves and comes in upright, straight where it passes a line of boxes; it ends inside its arrow head."""
    (x, y), *further = points
    text = f"M{x:.1f} {y:.1f}"
    for at, (next_x, next_y) in enumerate(further):
        if at % 2:
            text += f"V{next_y:.1f}"
        else:
            end = next_y - (_head_length(thickness) - 1 if at == len(further) - 1 else 0)
            middle = (y + end) / 2
            text += f"C{x:.1f} {middle:.1f} {next_x:.1f} {middle:.1f} {next_x:.1f} {end:.1f}"
        x, y = next_x, next_y
    return text


def _head_length(thickness: float) -> float:
    return 5 + thickness / 2


def _head(x: float, y: float, thickness: float) -> str:
    half, back = 3 + thickness / 2, y - _head_length(thickness)
    return f"{x - half:.1f},{back:.1f} {x + half:.1f},{back:.1f} {x:.1f},{y:.1f}"


def _apart(texts: Sequence[Text]) -> list[Text]:
    """The texts of one height moved sideways where one would hide another."""
    rows: dict[int, list[Text]] = defaultdict(list)
    for text in texts:
        rows[round(text.y / 10)].append(text)
    moved = []
    for row in rows.values():
        edge = 0.0
        placed = []
        for text in sorted(row, key=lambda each: each.x):
            half = len(text.text) * SIGN / 2
            x = max(text.x, edge + 4 + half)
            edge = x + half
            placed.append(Text(x, text.y, text.text, text.css))
        over = max(0.0, edge - (WIDTH - EDGE))
        moved += [Text(_in_text(each.x - over), each.y, each.text, each.css) for each in placed]
    return moved


def _in(x: float, half: float) -> float:
    return min(max(x, half + EDGE), WIDTH - half - EDGE)


def _in_text(length: float) -> float:
    return round(length, 1)


def _box(spot: _Spot, top: float) -> Box:
    group = spot.group
    css = ["step" if group.is_step else "lot"]
    css += [
        name
        for name, holds in (("root", group.is_root), ("void", group.is_void), ("marked", group.is_marked))
        if holds
    ]
    texts, y = [], top + PADDING
    for name, text in spot.parts:
        y += CODE_HEIGHT if name == "lot-code" else LINE_HEIGHT
        texts.append(Text(round(spot.x, 1), round(y - 4, 1), text, name))
    dots = ()
    if group.goes_on:
        y = top - 7 if group.goes_on == "back" else top + spot.height + 7
        dots = tuple((round(spot.x + step, 1), round(y, 1)) for step in (-7, 0, 7))
    return Box(
        x=round(spot.x - spot.width / 2, 1),
        y=round(top, 1),
        width=round(spot.width, 1),
        height=round(spot.height, 1),
        css=" ".join(css),
        url=group.url,
        texts=texts,
        dots=dots,
        is_many=group.number > 1,
        radius=round(spot.height / 2, 1)
        if group.is_step and len(spot.parts) < 3
        else 12.0
        if group.is_step
        else 5.0,
    )


def _losses(
    line: Sequence[Key], top: float, spots: Mapping[Key, _Spot], heaviest: Decimal, mass_unit: str
) -> tuple[list[Stream], list[Text]]:
    """The side branches of what the steps of a line took and no lot holds any more; none where nothing was lost."""
    streams, texts = [], []
    steps = [spots[key] for key in line if spots[key].group is not None and spots[key].group.is_step]
    edge = WIDTH - EDGE
    # From the right, so that each knows how far its words may reach.
    for spot in reversed(steps):
        group, x = spot.group, spot.x
        if group.loss_g:
            mass = f"−{units.format_mass(group.loss_g, mass_unit)}"
            words = phrase(_LOST.get(group.kind, _LOST_ELSE), mass=mass)
            x += 9
            text = words if x + len(words) * BOLD_SIGN <= edge else mass
            x = min(x, edge - len(text) * BOLD_SIGN)
            start, bottom = spot.x + spot.width / 4, top + spot.height
            end = (x + len(text) * BOLD_SIGN / 2, bottom + 11)
            path = f"M{start:.1f} {bottom:.1f}Q{end[0]:.1f} {bottom:.1f} {end[0]:.1f} {end[1]:.1f}"
            streams.append(Stream(path, _thickness(group.loss_g, heaviest), "", "lost"))
            texts.append(Text(round(x, 1), round(bottom + 22, 1), text, "loss", "start"))
        edge = min(spot.x, x) - 4
    return streams, texts


def _pieces(
    tops: Sequence[float],
    bottom: float,
    streams: Sequence[Stream],
    boxes: Sequence[Box],
    texts: Sequence[Text],
    label: str,
) -> list[Piece]:
    """The picture cut just above a line of boxes wherever the next line would no longer fit on the page."""
    cuts = [0.0]
    for top, following in zip(tops, [*tops[1:], bottom], strict=True):
        if following - cuts[-1] > PAGE and top - 8 > cuts[-1]:
            cuts.append(round(top - 8, 1))
    ends = [*cuts[1:], round(bottom, 1)]
    number = len(cuts)
    return [
        Piece(
            top=start,
            height=round(end - start, 1),
            streams=streams,
            boxes=[box for box in boxes if start <= box.y < end],
            texts=[text for text in texts if start <= text.y < end],
            label=label
            if number == 1
            else phrase("{picture}, part {part} of {parts}", picture=label, part=at, parts=number),
        )
        for at, (start, end) in enumerate(zip(cuts, ends, strict=True), start=1)
    ]


def _description(groups: Sequence[Group], mass_unit: str) -> str:
    """The picture in words: every box, top to bottom."""
    told = []
    for group in groups:
        if group.is_step:
            words = f"{words_of(group)}, {days_of(group)}"
            if group.loss_g:
                lost = units.format_mass(group.loss_g, mass_unit)
                words = phrase("{step}, {mass} lost", step=words, mass=lost)
            told.append(words)
        else:
            codes = f" {group.codes[0]}" if group.number == 1 else ""
            told.append(f"{words_of(group)}{codes}, {units.format_mass(group.mass_g, mass_unit)}")
    return phrase("{boxes}. The table below holds the same numbers.", boxes="; ".join(told))
