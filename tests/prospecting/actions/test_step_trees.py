"""Random trees of steps, corrected and voided at random: the books always close, and every share follows from the ground.

`STEP_TREES` sets how many trees are grown (10,000 take some 20 minutes; a quick look is taken with every run of the tests).
"""

import os
from collections import defaultdict
from decimal import ROUND_DOWN, Decimal
from fractions import Fraction

from django.db import transaction
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule, run_state_machine_as_test

from prospecting.actions.correction import Weight, correct_masses
from prospecting.actions.material import DrawFrom, NewLot, StepDetails, record_step, void_step
from prospecting.actions.products import keep_products
from prospecting.actions.refusal import Refused
from prospecting.frames.books import faults_of_lots, faults_of_marks, faults_of_steps
from prospecting.models import Dig, Draw, Lot, Origin, Step
from tests.make import DAY, make_member, make_zone

TREES = int(os.environ.get("STEP_TREES", "25"))
RULES_A_TREE = 12
MASS_APART_G = Decimal("0.001")
SHARE_APART = Fraction(1, 10**9)

some_lot = st.integers(0, 10**6)
share = st.fractions(Fraction(1, 50), 1)
# Down to a hundredth of a milligram, as the books keep them.
mass = st.decimals("0.00001", "40000", places=5)


def parts_of(mass_g: Decimal, weights: list[Fraction]) -> list[Decimal]:
    """Masses in this proportion that never sum to more than `mass_g`."""
    total = sum(weights)
    step = Decimal("0.00001")
    exact = [Fraction(mass_g) * weight / total for weight in weights]
    return [
        (Decimal(part.numerator) / Decimal(part.denominator)).quantize(step, ROUND_DOWN) for part in exact
    ]


class Shed(RuleBasedStateMachine):
    """One member, three zones, and whatever can be done to material."""

    def __init__(self) -> None:
        super().__init__()
        self.undo = transaction.atomic()
        self.undo.__enter__()
        self.member = make_member("keeper")
        self.zones = [make_zone() for _ in range(3)]
        self.refused = 0

    def teardown(self) -> None:
        transaction.set_rollback(True)
        self.undo.__exit__(None, None, None)

    def one_of(self, rows, number: int):
        """One of these rows by a number drawn at random; None where there is none."""
        ids = list(rows.order_by("pk").values_list("pk", flat=True))
        return rows.model.objects.get(pk=ids[number % len(ids)]) if ids else None

    def do(self, write, **fields) -> None:
        try:
            write(**fields)
        except Refused:
            self.refused += 1

    def record(self, kind: str, draws: list[DrawFrom], makes: list[NewLot], **fields) -> None:
        self.do(
            record_step,
            kind=kind,
            draws=draws,
            makes=makes,
            recorded_by=self.member,
            done_on=DAY,
            details=StepDetails(method="riffle", people="A. Digger", loss_reason="blew away"),
            **fields,
        )

    def drawn(self, number: int, part: Fraction) -> DrawFrom | None:
        lot = self.one_of(Lot.objects.in_stock(), number)
        if lot is None:
            return None
        if part == 1:
            return DrawFrom(lot=lot, mass_g=lot.on_hand_g, typed="all", takes_all=True)
        [mass_g] = parts_of(lot.on_hand_g * part.numerator / part.denominator, [Fraction(1)])
        return DrawFrom(lot=lot, mass_g=mass_g, typed=f"{mass_g} g")

    @rule(zone=st.integers(0, 2), masses=st.lists(mass, min_size=1, max_size=4))
    def dig(self, zone, masses) -> None:
        fields = {"zone": self.zones[zone], "station": "S1", "digger": "A. Digger", "sample_kind": "bulk"}
        self.record("dig", [], [NewLot(kind="bucket", mass_g=each) for each in masses], dig=fields)

    @rule(
        number=some_lot,
        part=share,
        kind=st.sampled_from(["dry", "crush", "screen", "split", "cut", "assay", "discard"]),
        weights=st.lists(share, min_size=2, max_size=6),
        lost=st.fractions(0, Fraction(1, 3)),
    )
    def take_apart(self, number, part, kind, weights, lost) -> None:
        draw = self.drawn(number, part)
        if draw is None:
            return
        if kind == "discard":
            self.record(kind, [draw], [])
            return
        pieces = {"dry": 1, "crush": 1, "screen": 2, "assay": 1}.get(kind, len(weights))
        *masses, _ = parts_of(draw.mass_g, [*weights[:pieces], lost])
        makes = [NewLot(kind="split", mass_g=each) for each in masses if each]
        if makes:
            self.record(kind, [draw], makes)

    @rule(
        numbers=st.lists(some_lot, min_size=2, max_size=5), part=share, lost=st.fractions(0, Fraction(1, 9))
    )
    def blend(self, numbers, part, lost) -> None:
        draws = {draw.lot.pk: draw for number in numbers if (draw := self.drawn(number, part))}
        total_g = sum((draw.mass_g for draw in draws.values()), Decimal(0))
        if total_g:
            kept_g, _ = parts_of(total_g, [Fraction(1), lost])
            self.record("blend", list(draws.values()), [NewLot(kind="blend", mass_g=kept_g)])

    @rule(number=some_lot, weights=st.tuples(share, share, share))
    def recover(self, number, weights) -> None:
        draw = self.drawn(number, Fraction(1, 2))
        if draw is None:
            return
        self.record("recover", [draw], [])
        step = Step.objects.filter(kind="recover", voided_at__isnull=True).first()
        concentrate, tails, _ = parts_of(draw.mass_g, list(weights))
        if step and concentrate and tails:
            products = [NewLot(kind="concentrate", mass_g=concentrate), NewLot(kind="tails", mass_g=tails)]
            self.do(keep_products, step=step, products=products, recorded_by=self.member)

    @rule(number=some_lot)
    def void(self, number) -> None:
        step = self.one_of(Step.objects.filter(voided_at__isnull=True), number)
        if step is not None:
            self.do(void_step, step=step, reason="typed wrong", voided_by=self.member)

    @rule(number=some_lot, which=some_lot, factor=st.fractions(Fraction(1, 3), 2), of_draw=st.booleans())
    def correct(self, number, which, factor, of_draw) -> None:
        step = self.one_of(Step.objects.filter(voided_at__isnull=True), number)
        if step is None:
            return
        rows = list(step.draws.select_related("lot") if of_draw else step.made.all())
        if not rows:
            return
        row = rows[which % len(rows)]
        [mass_g] = parts_of(row.mass_g * factor.numerator / factor.denominator, [Fraction(1)])
        if mass_g:
            lot = row.lot if of_draw else row
            masses = {lot.pk: Weight(mass_g=mass_g, typed=f"{mass_g} g")}
            self.do(
                correct_masses,
                step=step,
                draws=masses if of_draw else {},
                makes={} if of_draw else masses,
                reason="read wrong",
                corrected_by=self.member,
            )

    @invariant()
    def every_gram_is_somewhere(self) -> None:
        """Dug = on hand + lost, added up from the masses alone."""
        standing = Lot.objects.standing()
        dug = sum(standing.filter(made_by__kind="dig").values_list("mass_g", flat=True), Decimal(0))
        on_hand = sum(standing.values_list("on_hand_g", flat=True), Decimal(0))
        drawn = Draw.objects.filter(step__voided_at__isnull=True)
        taken = sum(drawn.values_list("mass_g", flat=True), Decimal(0))
        made = sum(standing.exclude(made_by__kind="dig").values_list("mass_g", flat=True), Decimal(0))
        assert abs(dug - on_hand - (taken - made)) <= MASS_APART_G
        losses = Step.objects.filter(voided_at__isnull=True).values_list("loss_g", flat=True)
        assert abs(taken - made - sum(losses, Decimal(0))) <= MASS_APART_G

    @invariant()
    def every_share_follows_from_the_ground(self) -> None:
        """Each lot's shares, reckoned anew from the digs on in fractions that round nowhere."""
        exact: dict[int, dict[int, Fraction]] = {}
        draws = defaultdict(list)
        for step_id, lot_id, mass_g in Draw.objects.values_list("step_id", "lot_id", "mass_g"):
            draws[step_id].append((lot_id, Fraction(mass_g)))
        dig_of = dict(Dig.objects.values_list("step_id", "pk"))
        stored = defaultdict(dict)
        for lot_id, dig_id, stored_share in Origin.objects.values_list("lot_id", "dig_id", "share"):
            stored[lot_id][dig_id] = stored_share
        for lot in Lot.objects.standing().order_by("made_by_id", "pk"):
            taken = draws[lot.made_by_id]
            total = sum(mass_g for _, mass_g in taken)
            found: dict[int, Fraction] = defaultdict(Fraction)
            for parent, mass_g in taken:
                for dig_id, part in exact[parent].items():
                    found[dig_id] += part * mass_g / total
            exact[lot.pk] = dict(found) if taken else {dig_of[lot.made_by_id]: Fraction(1)}
            assert set(stored[lot.pk]) == set(exact[lot.pk])
            assert sum(stored[lot.pk].values()) == 1
            for dig_id, part in exact[lot.pk].items():
                assert abs(Fraction(stored[lot.pk][dig_id]) - part) <= SHARE_APART

    @invariant()
    def the_check_of_the_books_finds_nothing(self) -> None:
        assert [*faults_of_lots(), *faults_of_steps(), *faults_of_marks()] == []


def test_books_close_whatever_is_done_to_material(db):
    run_state_machine_as_test(
        Shed,
        settings=settings(
            max_examples=TREES,
            stateful_step_count=RULES_A_TREE,
            deadline=None,
            database=None,
            derandomize=TREES <= 25,
            suppress_health_check=list(HealthCheck),
            phases=[Phase.generate, Phase.shrink],
        ),
    )
