"""The family of a lot: the short trees of its own page, and the whole lineage as groups to be drawn and rows to be read."""

import datetime
from collections import defaultdict
from collections.abc import Callable, Collection, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import NamedTuple

from django.db.models import Count, Exists, F, IntegerField, Max, Min, OuterRef, QuerySet, Subquery, Sum
from django.db.models.expressions import RawSQL
from django.db.models.functions import Coalesce
from django.urls import reverse
from django.utils.translation import gettext_lazy

from prospecting.calc import units
from prospecting.calc.ancestry import (
    Flow,
    Group,
    Link,
    RowKey,
    Rows,
    Walk,
    alike,
    levels,
    nearest,
    tree_rows,
    walked,
)
from prospecting.calc.language import phrase, phrase_counted
from prospecting.calc.mass_balance import mass_left_g, total_mass_g
from prospecting.models import Dig, Draw, Lot, Origin, Reading, Sample, Step
from prospecting.models.assays import ValueInUse
from prospecting.models.lineage import (
    links_back,
    links_onward,
    lots_alike,
    near_links,
)
from trials.models import Run, Trial

# The lot's own page shows its parents and its children, two generations; the whole stands on the page of its lineage.
NEAR_GENERATIONS, MOST_LINES = 2, 40
# On a phone a deeper indent would leave no room for the words; from here on the number of steps is written out.
DEEPEST_INDENT = 5
# Draws the picture is made from; the first generation alone may have more, so that a big cut is drawn whole. Onward there is
# room for the pans of many portions, which are drawn as one.
MOST_DRAWN_BACK, MOST_DRAWN_ONWARD, MOST_DRAWN_FIRST, MOST_GENERATIONS = 80, 600, 1200, 20
# So many groups stand on one level at most, and in the whole picture, before it is drawn more coarsely.
WIDEST, MOST_GROUPS = 6, 60
# What these make has the parent's grade but for chance: nothing is added, sorted out or won from it.
ALIKE = (Step.Kind.DRY, Step.Kind.CRUSH, Step.Kind.SPLIT, Step.Kind.CUT, Step.Kind.ASSAY)


@dataclass(frozen=True)
class Line:
    """One line: `mass_g` drawn by `step` from the lot nearer to the root or, upward, from `lot` itself.

    `lot` is None for a step that made none; `made` is how many lots the step made, `again` that a line above told of the same
    draw already and made another lot. `opens` starts an indented list before
    the line, `has_below` says that the next line belongs under it, `closes` counts the lists that end after it.
    """

    lot: Lot | None
    step: Step
    mass_g: Decimal
    made: int
    again: bool
    depth: int
    seen_above: bool
    opens: bool
    has_below: bool
    closes: range

    @property
    def is_deep(self) -> bool:
        return self.depth > DEEPEST_INDENT


@dataclass(frozen=True)
class Tree:
    """The lines shown; `is_cut` says that these generations have more."""

    lines: Sequence[Line]
    is_cut: bool

    @property
    def is_long(self) -> bool:
        return len(self.lines) > 12


@dataclass(frozen=True)
class Family:
    """Where a lot came from, what became of it, and `alike`: for `lot__in=`, the lot and those that are the same material."""

    up: Tree
    down: Tree
    alike: Collection[int] | RawSQL


class LotFacts(NamedTuple):
    """What is told of a lot: a plain row, since a family has hundreds."""

    pk: int
    code: str
    kind: str
    mass_g: Decimal
    is_void: bool
    is_marked: bool
    made_by: int

    @property
    def word(self) -> str:
        return str(Lot.Kind(self.kind).label)

    @property
    def url(self) -> str:
        return reverse("lot-detail", args=[self.code])


class StepFacts(NamedTuple):
    pk: int
    kind: str
    done_on: datetime.date
    loss_g: Decimal
    voided_at: datetime.datetime | None

    @property
    def word(self) -> str:
        return str(Step.Kind(self.kind).label)

    @property
    def url(self) -> str:
        return reverse("step-detail", args=[self.pk])

    @property
    def is_void(self) -> bool:
        return self.voided_at is not None


class DrawFacts(NamedTuple):
    mass_g: Decimal
    lot: LotFacts
    step: StepFacts


@dataclass(frozen=True)
class Walks:
    """Everything a lot came from and everything made from it, as plain numbers."""

    lot: Lot
    back: Walk
    onward: Walk


@dataclass(frozen=True)
class Row:
    """One draw as the table tells it, or the filling of a lot by a dig (`draw` None). `away` steps back or on.

    `made` lots weighing `made_g` came of the step, `made_code` where it was one. `facts`: gold and readings.
    """

    onward: bool
    away: int
    draw: DrawFacts | None
    dig: Dig | None
    step: StepFacts
    made: int
    made_g: Decimal
    made_code: str
    made_word: str
    facts: Sequence[str]

    @property
    def drawn_for(self) -> bool:
        return self.draw is not None


@dataclass(frozen=True)
class Lineage:
    """What the picture is drawn from, the rows of one page of the table, and how many lots are not drawn, each way."""

    groups: Sequence[Group]
    flows: Sequence[Flow]
    rows: Sequence[Row]
    left_out_back: int
    left_out_onward: int
    is_coarse: bool


def family_of(lot: Lot) -> Family:
    """Both short trees of a lot and what is alike: two recursive queries, one for the draws and steps, one for the lots."""
    back, onward = near_links(lot, generations=NEAR_GENERATIONS, most=MOST_LINES + 1)
    links = [*back, *onward]
    draws = (
        Draw.objects.select_related("step")
        .annotate(
            made=count_of(Lot.objects.filter(made_by=OuterRef("step")), "made_by"),
            is_hidden=Exists(Run.objects.blind_bridges().filter(step=OuterRef("step"))),
        )
        .in_bulk({draw for draw, *_ in links})
    )
    lots = Lot.objects.in_bulk({far for *_, far in links if far is not None})
    return Family(
        up=_tree(back, lot.pk, draws, lots),
        down=_tree(onward, lot.pk, draws, lots),
        alike=lots_alike(lot, ALIKE),
    )


def walks_of(lot: Lot) -> Walks:
    """One recursive query each way."""
    # Which lot a bridging run drew from is not told while its block is open.
    hidden = set(Run.objects.blind_bridges().values_list("step", flat=True))
    return Walks(
        lot=lot,
        back=walked(_told(links_back(lot), hidden), lot.pk, onward=False),
        onward=walked(_told(links_onward(lot), hidden), lot.pk, onward=True),
    )


def _told(links: Sequence[Link], hidden: Collection[int]) -> Sequence[Link]:
    """The links of all steps but these."""
    return [link for link in links if link[2] not in hidden] if hidden else links


def row_keys(walks: Walks, way: str = "") -> Rows:
    """A key for each row of the table, nearest first: what it came from, then what became of it; or one of the two."""
    chosen = {"back": [walks.back], "on": [walks.onward]}
    return Rows(*chosen.get(way, [walks.back, walks.onward]))


def lineage_of(walks: Walks, *, keys: Sequence[RowKey], grade_unit: str) -> Lineage:
    """The groups and flows of the picture, and the table's rows of these keys: as many queries for ten ancestors as for ten
    thousand."""
    back, back_on = _drawn(walks.back, MOST_DRAWN_BACK)
    onward, onward_on = _drawn(walks.onward, MOST_DRAWN_ONWARD)
    books = _read(walks.lot, back, onward, keys)
    groups, flows, is_coarse = _grouped(
        walks.lot,
        back,
        onward,
        dict.fromkeys(back_on, "back") | dict.fromkeys(onward_on, "onward"),
        books,
        grade_unit,
    )
    return Lineage(
        groups=groups,
        flows=flows,
        rows=[_row(key, books, grade_unit) for key in keys],
        left_out_back=walks.back.lots - len({far for *_, far in back}),
        left_out_onward=walks.onward.lots - len({far for *_, far in onward if far is not None}),
        is_coarse=is_coarse,
    )


def lots_ever_of_dig(dig: Dig) -> QuerySet[Lot]:
    """Every standing lot that ever held material of this dig, newest first, with `share` and what `with_use` adds."""
    held = Lot.objects.standing().from_dig(dig).annotate(share=F("origins__share"))
    # By the column of the shares, whose index ends with it: the same order as the lots' own numbers.
    return _with_use(held).order_by("-origins__lot_id")


def lots_ever_of_zone(zone) -> QuerySet[Lot]:
    """The same for all digs of a zone, their shares added up."""
    own = Origin.objects.filter(lot=OuterRef("pk"), dig__zone=zone).order_by()
    shares = own.values("lot").annotate(total=Sum("share")).values("total")
    return _with_use(Lot.objects.standing().filter(Exists(own)).annotate(share=Subquery(shares))).order_by(
        "-pk"
    )


def _with_use(lots: QuerySet[Lot]) -> QuerySet[Lot]:
    """Adds `pan_count` and `trial_count`, of the lot itself, and `sample_count` of it sent to a laboratory."""
    pans = Run.objects.filter(step__voided_at__isnull=True).exclude(
        pk__in=Run.objects.blind_bridges().values("pk")
    )
    return lots.annotate(
        pan_count=count_of(pans.filter(lot=OuterRef("pk")), "lot"),
        trial_count=count_of(Trial.objects.filter(feed_lot=OuterRef("pk")), "feed_lot"),
        sample_count=count_of(Sample.objects.filter(lot=OuterRef("pk")), "lot"),
    )


def count_of(rows: QuerySet, field: str) -> Coalesce:
    """How many of these rows there are for the outer row, 0 for none; `field` is what ties them to it."""
    counted = rows.order_by().values(field).annotate(number=Count("*")).values("number")
    return Coalesce(Subquery(counted, output_field=IntegerField()), 0)


def _tree(links: Sequence[Link], root: int, draws: Mapping[int, Draw], lots: Mapping[int, Lot]) -> Tree:
    # Which lot a bridging run drew from is not told while its block is open.
    rows = tree_rows([link for link in links[:MOST_LINES] if not draws[link[0]].is_hidden], root)
    shown = rows[:MOST_LINES]
    indents = [min(row.depth, DEEPEST_INDENT) for row in shown]
    lines = []
    told: set[int] = set()
    for row, indent, before, after in zip(shown, indents, [1, *indents], [*indents[1:], 1], strict=False):
        draw = draws[row.draw]
        lines.append(
            Line(
                lot=lots.get(row.lot),
                step=draw.step,
                mass_g=draw.mass_g,
                made=draw.made,
                again=row.draw in told,
                depth=row.depth,
                seen_above=row.seen_above,
                opens=indent > before,
                has_below=after > indent,
                closes=range(max(0, indent - after)),
            )
        )
        told.add(row.draw)
    return Tree(lines=lines, is_cut=len(links) > MOST_LINES or len(rows) > MOST_LINES)


@dataclass(frozen=True)
class _Books:
    """The records behind the links shown. `made` maps a step to the number and mass of all lots it made, `drawn` a blend onward
    to those of all it drew."""

    draws: Mapping[int, DrawFacts]
    lots: Mapping[int, LotFacts]
    steps: Mapping[int, StepFacts]
    digs: Mapping[int, Dig]
    made: Mapping[int, dict]
    drawn: Mapping[int, dict]
    runs: Mapping[int, dict]
    samples: Mapping[int, Sample]


def _drawn(walk: Walk, most: int) -> tuple[list[Link], set[int]]:
    """The links of the nearest generations, and the lots at which the family goes on beyond them."""
    number = min(nearest(walk, most, MOST_DRAWN_FIRST), MOST_GENERATIONS)
    shown = [link for links in walk.generations[:number] for link in links]
    beyond = walk.generations[number] if number < len(walk.generations) else []
    return shown, {near for _, near, _, _ in beyond}


def _read(lot: Lot, back: Sequence[Link], onward: Sequence[Link], keys: Sequence[RowKey]) -> _Books:
    links = [*back, *onward]
    draw_ids = {draw for draw, *_ in links} | {draw for _, _, draw, _ in keys if draw is not None}
    lot_names = ("pk", "code", "kind", "mass_g", "is_void", "is_marked", "made_by")
    step_names = ("pk", "kind", "done_on", "loss_g", "voided_at")
    of_draws = [*(f"lot__{name}" for name in lot_names), *(f"step__{name}" for name in step_names)]
    draws = {
        pk: DrawFacts(mass_g, LotFacts(*facts[: len(lot_names)]), StepFacts(*facts[len(lot_names) :]))
        for pk, mass_g, *facts in Draw.objects.filter(pk__in=draw_ids).values_list("pk", "mass_g", *of_draws)
    }
    others = {far for *_, far in links if far is not None} | {own for *_, own in keys if own is not None}
    lots = {draw.lot.pk: draw.lot for draw in draws.values()}
    rest = Lot.objects.filter(pk__in=(others | {lot.pk}) - lots.keys()).order_by()
    lots |= {row[0]: LotFacts(*row) for row in rest.values_list(*lot_names)}
    steps = {draw.step.pk: draw.step for draw in draws.values()}
    # What no draw led to was filled by a dig, unless it is only reached from below: then the step is told all the same.
    unmade = {each.made_by for each in lots.values()} - steps.keys()
    steps |= {
        row[0]: StepFacts(*row)
        for row in Step.objects.filter(pk__in=unmade).order_by().values_list(*step_names)
    }
    dug = Dig.objects.filter(step__in=[pk for pk in unmade if steps[pk].kind == Step.Kind.DIG])
    digs = {dig.step_id: dig for dig in dug.select_related("zone").only("station", "step_id", "zone__name")}
    made = Lot.objects.filter(made_by__in=steps).order_by().values("made_by")
    # Going back, all a step drew is an ancestor; onward only a blend takes from lots beyond the family.
    blends = {step for _, _, step, _ in onward if steps[step].kind == Step.Kind.BLEND}
    drawn = Draw.objects.filter(step__in=blends).order_by().values("step")
    pans = [pk for pk, step in steps.items() if step.kind == Step.Kind.RECOVER]
    runs = Run.objects.filter(step__in=pans).order_by()
    samples = Sample.objects.filter(
        lot__in=[pk for pk, each in lots.items() if each.kind == Lot.Kind.ASSAY_SPLIT]
    )
    return _Books(
        draws=draws,
        lots=lots,
        steps=steps,
        digs=digs,
        made={
            row["made_by"]: row
            for row in made.annotate(
                number=Count("pk"),
                total_g=Sum("mass_g"),
                a_code=Min("code"),
                a_kind=Min("kind"),
                other_kind=Max("kind"),
            )
        },
        drawn={row["step"]: row for row in drawn.annotate(number=Count("pk"), total_g=Sum("mass_g"))},
        # Of an open block not even the treatment's name is read.
        runs={
            row["step"]: row
            for row in runs.annotate(
                colours_total=Sum("colours__count"), closed_at=F("planned__block__closed_at")
            ).values(
                "step",
                "pk",
                "planned",
                "closed_at",
                "gold_mg",
                "below_scale",
                "scale_step_mg",
                "failed",
                "colours_total",
            )
        },
        samples={sample.lot_id: sample for sample in samples},
    )


def _grouped(
    lot: Lot,
    back: Sequence[Link],
    onward: Sequence[Link],
    goes_on: Mapping[int, str],
    books: _Books,
    grade_unit: str,
) -> tuple[list[Group], list[Flow], bool]:
    """The drawn family as groups and flows, as fine as there is room for; and whether it had to be drawn coarsely.

    Nodes are lots by their number and steps by theirs with a minus.
    """
    flows = _flows(lot, back, onward, books)
    nodes = {lot.pk: None} | {node: None for flow in flows for node in flow[:2]}
    pairs = [flow[:2] for flow in flows]
    groups, is_coarse = _finest(
        list(nodes), pairs, lambda node, ground: _colour(node, ground, lot, goes_on, books)
    )
    members: dict[int, list[int]] = defaultdict(list)
    for node in nodes:
        members[groups[node]].append(node)
    masses_g: dict[tuple[int, int], list[Decimal]] = defaultdict(list)
    for source, target, mass_g in flows:
        masses_g[groups[source], groups[target]].append(mass_g)
    family = set(nodes)
    drawn = [
        _steps_group(key, own, family, books)
        if own[0] < 0
        else _lots_group(key, own, lot, goes_on, books, grade_unit)
        for key, own in members.items()
    ]
    is_step = {group.key: group.is_step for group in drawn}
    return (
        drawn,
        [
            Flow(source=source, target=target, mass_g=total_mass_g(each), is_draw=is_step[target])
            for (source, target), each in masses_g.items()
        ],
        is_coarse,
    )


def _flows(
    lot: Lot, back: Sequence[Link], onward: Sequence[Link], books: _Books
) -> list[tuple[int, int, Decimal]]:
    """(from, to, mass in g), each draw and each lot made once."""
    flows: dict[tuple[int, int], Decimal] = {}
    for draw, made, step, drawn_from in back:
        flows[drawn_from, -step] = books.draws[draw].mass_g
        flows[-step, made] = books.lots[made].mass_g
    for draw, drawn_from, step, made in onward:
        flows[drawn_from, -step] = books.draws[draw].mass_g
        if made is not None:
            flows[-step, made] = books.lots[made].mass_g
    for pk in {lot.pk, *(far for *_, far in back)}:
        step = books.lots[pk].made_by
        if step in books.digs:
            flows[-step, pk] = books.lots[pk].mass_g
    return [(source, target, mass_g) for (source, target), mass_g in flows.items()]


def _finest(
    nodes: Sequence[int], pairs: Sequence[tuple[int, int]], colour: Callable[[int, str], Hashable]
) -> tuple[dict[int, int], bool]:
    """Group numbers as fine as there is room for: digs each, by zone, or as one; in the last resort by level and kind."""
    for ground in ("dig", "zone", ""):
        groups = alike({node: colour(node, ground) for node in nodes}, pairs)
        at = levels({(groups[source], groups[target]) for source, target in pairs})
        if (
            len(at) <= MOST_GROUPS
            and max((list(at.values()).count(level) for level in at.values()), default=0) <= WIDEST
        ):
            return groups, False
    at = levels(pairs)
    coarse = {node: (at.get(node, 0), colour(node, "")) for node in nodes}
    numbers: dict[Hashable, int] = {}
    return {node: numbers.setdefault(value, len(numbers)) for node, value in coarse.items()}, True


def _colour(node: int, ground: str, lot: Lot, goes_on: Mapping[int, str], books: _Books) -> Hashable:
    if node > 0:
        own = books.lots[node]
        return own.kind, own.is_void, own.is_marked, node == lot.pk, goes_on.get(node)
    step = books.steps[-node]
    dig = books.digs.get(-node)
    by_ground = {"dig": -node, "zone": dig.zone_id}.get(ground) if dig else None
    return step.kind, step.is_void, by_ground


def _lots_group(
    key: int, own: Sequence[int], root: Lot, goes_on: Mapping[int, str], books: _Books, grade_unit: str
) -> Group:
    lots = [books.lots[pk] for pk in sorted(own)]
    first = lots[0]
    return Group(
        key=key,
        is_step=False,
        kind=first.kind,
        word=lots_word(first.kind, len(lots)),
        number=len(lots),
        url=first.url if len(lots) == 1 else "",
        mass_g=total_mass_g(lot.mass_g for lot in lots),
        codes=[lot.code for lot in lots],
        facts=_reading_words([books.samples[pk] for pk in own if pk in books.samples], grade_unit),
        is_root=root.pk in own,
        is_void=first.is_void,
        is_marked=first.is_marked,
        goes_on=goes_on.get(own[0], ""),
    )


def _steps_group(key: int, own: Sequence[int], family: set[int], books: _Books) -> Group:
    pks = [-node for node in own]
    steps = [books.steps[pk] for pk in pks]
    first = steps[0]
    days = [step.done_on for step in steps]
    digs = [books.digs[pk] for pk in pks if pk in books.digs]
    runs = [books.runs[pk] for pk in pks if pk in books.runs]
    made = [lot for lot in books.lots.values() if lot.pk in family and -lot.made_by in own]
    drawn = [draw for draw in books.draws.values() if draw.lot.pk in family and -draw.step.pk in own]
    out = _rest(pks, books.made, len(made), total_mass_g(lot.mass_g for lot in made))
    into = (0, Decimal(0))
    if pks[0] in books.drawn:
        into = _rest(pks, books.drawn, len(drawn), total_mass_g(draw.mass_g for draw in drawn))
    word = phrase("Pan") if runs else first.word
    if len(digs) == 1:
        word = phrase("Dig {dig}", dig=digs[0].pk)
    url = digs[0].get_absolute_url() if digs else first.url
    return Group(
        key=key,
        is_step=True,
        kind=first.kind,
        word=word,
        number=len(steps),
        url=url if len(steps) == 1 else "",
        days=(min(days), max(days)),
        facts=_ground_words(digs) if digs else _gold_words(runs),
        loss_g=total_mass_g(step.loss_g for step in steps),
        others_in=into[0],
        others_in_g=into[1],
        others_out=out[0],
        others_out_g=out[1],
        is_void=first.is_void,
    )


def _rest(
    steps: Iterable[int], totals: Mapping[int, dict], number: int, mass_g: Decimal
) -> tuple[int, Decimal]:
    """What these steps made or drew in all, less what is drawn of it: lots, mass in g."""
    rows = [totals[step] for step in steps if step in totals]
    all_g = total_mass_g(row["total_g"] for row in rows)
    return sum(row["number"] for row in rows) - number, mass_left_g(all_g, [mass_g])


def _row(key: RowKey, books: _Books, grade_unit: str) -> Row:
    onward, away, draw_id, lot_id = key
    draw = books.draws.get(draw_id)
    step = draw.step if draw else books.steps[books.lots[lot_id].made_by]
    made = books.made.get(step.pk)
    one = made is not None and made["number"] == 1
    same = made is not None and made["a_kind"] == made["other_kind"]
    samples = [sample for sample in books.samples.values() if books.lots[sample.lot_id].made_by == step.pk]
    runs = [books.runs[step.pk]] if step.pk in books.runs else []
    return Row(
        onward=onward,
        away=away,
        draw=draw,
        dig=books.digs.get(step.pk),
        step=step,
        made=made["number"] if made else 0,
        made_g=made["total_g"] if made else Decimal(0),
        made_code=made["a_code"] if one else "",
        made_word=lots_word(made["a_kind"], made["number"]) if same else phrase("lots"),
        facts=[*_gold_words(runs), *_reading_words(samples, grade_unit)],
    )


_MANY = {
    Lot.Kind.BUCKET: gettext_lazy("buckets"),
    Lot.Kind.CRUSHED: gettext_lazy("crushed lots"),
    Lot.Kind.UNDERSIZE: gettext_lazy("undersize lots"),
    Lot.Kind.OVERSIZE: gettext_lazy("oversize lots"),
    Lot.Kind.SPLIT: gettext_lazy("splits"),
    Lot.Kind.BLEND: gettext_lazy("blends"),
    Lot.Kind.PORTION: gettext_lazy("portions"),
    Lot.Kind.CONCENTRATE: gettext_lazy("concentrates"),
    Lot.Kind.TAILS: gettext_lazy("tails"),
    Lot.Kind.ASSAY_SPLIT: gettext_lazy("splits for assay"),
}


def lots_word(kind: str, number: int) -> str:
    """What one lot, or several, of a kind are called."""
    return str(Lot.Kind(kind).label if number == 1 else _MANY[kind])


def _ground_words(digs: Sequence[Dig]) -> list[str]:
    zones = {dig.zone_id: dig.zone.name for dig in digs}
    where = (
        next(iter(zones.values()))
        if len(zones) == 1
        else phrase_counted("{number} zone", "{number} zones", len(zones))
    )
    return [f"{digs[0].station}, {where}" if len(digs) == 1 else where]


def _gold_words(runs: Sequence[dict]) -> list[str]:
    """What the pans gave, as their lot's page tells it: nothing of an open block, no figure of a failed one."""
    sound = [run for run in runs if not run["failed"]]
    hidden = [run for run in sound if run["planned"] is not None and run["closed_at"] is None]
    told = [run for run in sound if run not in hidden]
    weighed = sorted(run["gold_mg"] for run in told if run["gold_mg"] is not None)
    below = [run for run in told if run["gold_mg"] is None and run["below_scale"]]
    colours = sorted(
        run["colours_total"]
        for run in told
        if run["gold_mg"] is None and not run["below_scale"] and run["colours_total"] is not None
    )
    words = []
    if weighed:
        words.append(phrase("gold {mass}", mass=_between([units.format_gold_mg(mg) for mg in weighed])))
    if below:
        steps_mg = {run["scale_step_mg"] for run in below}
        limit = units.format_gold_mg(max(steps_mg))
        words.append(
            phrase("gold below {limit}", limit=limit)
            if len(runs) == 1
            else phrase("{pans} below {limit}", pans=len(below), limit=limit)
        )
    if colours:
        shown = _between([str(number) for number in colours])
        words.append(phrase_counted("{colours} colour", "{colours} colours", colours[-1], colours=shown))
    if failed := len(runs) - len(sound):
        words.append(phrase("failed") if len(runs) == 1 else phrase("{pans} failed", pans=failed))
    if hidden:
        words.append(
            phrase("gold told when the block is closed")
            if len(hidden) == len(runs)
            else phrase("{pans} told later", pans=len(hidden))
        )
    return words


def _reading_words(samples: Sequence[Sample], grade_unit: str) -> list[str]:
    """The readings in use of splits for assay; of several with a grade the lowest and the highest."""
    readings = [sample.in_use for sample in samples if sample.in_use]
    graded = sorted(reading.grade_g_per_t for reading in readings if reading.grade_g_per_t is not None)
    words = [_between([units.format_grade(grade, grade_unit) for grade in graded])] if graded else []
    words += [_reading_word(reading, grade_unit) for reading in readings if reading.grade_g_per_t is None]
    if waiting := len(samples) - len(readings):
        words.append(
            phrase("no reading in use yet")
            if len(samples) == 1
            else phrase("{samples} without a reading yet", samples=waiting)
        )
    return words


def _reading_word(value: ValueInUse, grade_unit: str) -> str:
    limit = units.format_grade(value.limit_g_per_t, grade_unit)
    if value.symbol == Reading.Symbol.BELOW:
        return phrase("below {limit}", limit=limit)
    return phrase("above {limit}", limit=limit)


def _between(texts: Sequence[str]) -> str:
    low, high = texts[0], texts[-1]
    return low if low == high else phrase("{low} to {high}", low=low.partition(" ")[0], high=high)
