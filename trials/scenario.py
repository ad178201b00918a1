"""Loads the invented demo scenario through the same actions as the pages use; never writes to a table by itself."""

import datetime
import json
from decimal import Decimal
from pathlib import Path

from django.conf import settings
from django.db import transaction

from prospecting.actions import (
    assays,
    claim_dates,
    contamination,
    dispatching,
    ground,
    lots,
    material,
    members,
    products,
    steps,
)
from prospecting.actions.correction import Weight
from prospecting.actions.material import DrawFrom, NewLot, StepDetails
from prospecting.calc import units
from prospecting.models import Contamination, Lot, Member
from prospecting.readers.certificate_csv import read_certificate
from trials.actions import additives, clearing, correction, factors, findings, judging, mud, planning, running
from trials.frames.findings import frozen_of
from trials.models import Additive, Finding, PlannedRun, Run, Trial

STORY = settings.BASE_DIR / "fixtures" / "demo" / "story.json"
FIRST_NAMES = {"keeper": "Ida", "mixer": "Moss", "panner": "Bram", "guest": "Visitor"}
ROLES = {"keeper": "keeper", "mixer": "member", "panner": "member", "guest": "guest"}


@transaction.atomic
def load_scenario(*, password: str, story_file: Path = STORY) -> None:
    """Play the whole story into an empty site: people, ground, digs, pans, blends, trials and one dispatch."""
    if Member.objects.exists():
        raise ValueError("The demo is loaded into an empty site only; this one has members already.")
    story = json.loads(story_file.read_text())
    people = {"keeper": members.add_first_keeper(username="keeper", password=password)}
    keeper = members.change_member(
        member=people["keeper"],
        role=ROLES["keeper"],
        is_active=True,
        first_name=FIRST_NAMES["keeper"],
        last_name="",
        changed_by=people["keeper"],
    )
    for name, role in list(ROLES.items())[1:]:
        people[name] = members.add_member(
            username=name, first_name=FIRST_NAMES[name], role=role, password=password, added_by=keeper
        )
    player = _Player(story, people)
    player.dig()
    player.test_pans()
    player.take_splits()
    player.prepare_test_lots()
    player.dose_trial()
    player.running_trial()
    player.clearing_test()
    player.assays()
    player.mistake()
    player.shed()
    player.season()
    player.meeting()


def _day(text: str) -> datetime.date:
    return datetime.date.fromisoformat(text)


def _lb(pounds: float | str) -> tuple[Decimal, str]:
    text = f"{pounds} lb"
    return units.parse_mass(text, "lb").canonical.quantize(Decimal("0.00001")), text


class _Player:
    """Holds what the story refers to by name while it is played."""

    def __init__(self, story: dict, people: dict) -> None:
        self.story = story
        self.people = people
        self.buckets: dict[str, Lot] = {}
        self.zones: dict = {}

    def dig(self) -> None:
        keeper = self.people["keeper"]
        claims = {}
        for name, facts in self.story["zones"].items():
            if facts["claim"] not in claims:
                claims[facts["claim"]] = ground.add_claim(
                    name=facts["claim"],
                    kind="lode",
                    holder="the group (invented)",
                    recorded_by=keeper,
                )
                claim_dates.add_claim_date(
                    claim=claims[facts["claim"]],
                    what="yearly fee or waiver: check with the land agency",
                    due_on=datetime.date(2027, 8, 25),
                    remind_days=60,
                    is_yearly=True,
                    watched_by=keeper,
                    recorded_by=keeper,
                )
            self.zones[name] = ground.add_zone(
                claim=claims[facts["claim"]], name=name, stripe=facts["stripe"], recorded_by=keeper
            )
        for dig in self.story["digs"]:
            mass_g, typed = _lb(dig["bucket_lb"])
            step = steps.record_dig(
                zone=self.zones[dig["zone"]],
                station=dig["station"],
                dug_on=_day(dig["day"]),
                digger=dig["digger"],
                sample_kind=dig["kind"],
                latitude=Decimal(str(dig["latitude"])),
                longitude=Decimal(str(dig["longitude"])),
                depth_m=Decimal(dig["depth_m"]) if "depth_m" in dig else None,
                depth_typed=f"{dig['depth_m']} m" if "depth_m" in dig else "",
                buckets=[
                    NewLot(
                        kind=Lot.Kind.BUCKET,
                        mass_g=mass_g,
                        typed=typed,
                        title=f"{dig['station']}, {dig['zone']}",
                        is_dry=True,
                    )
                ],
                recorded_by=self.people["panner"],
            )
            self.buckets[dig["as"]] = step.made.get()

    def test_pans(self) -> None:
        for pan in self.story["pans"] + self.story["second_pans"]:
            portion_g, typed = _lb(pan["portion"].removesuffix(" lb"))
            panner = self.people[pan["panner"]]
            running.log_test_pan(
                lot=self.buckets[pan["bucket"]],
                portion=running.Portion(mass_g=portion_g, typed=typed),
                result=self._result(pan, pan["day"], panner),
                recorded_by=panner,
            )

    def take_splits(self) -> None:
        names = [assay["bucket"] for assay in self.story["assays"]]
        self.splits = {name: self._take_for_assay(self.buckets[name], "2026-09-01") for name in names}
        self.further_splits = {
            split["bucket"]: self._take_for_assay(
                self.buckets[split["bucket"]], "2026-09-01", split["mass_g"]
            )
            for parcel in self.story["parcels"]
            for split in parcel["splits"]
        }

    def prepare_test_lots(self) -> None:
        """Crush and screen six buckets; blend four to the dose trial's lot, two to the running trial's."""
        crushed = {name: self._crush(name) for name in ("1-5", "1-6", "2-4", "2-5", "4-5", "4-6")}
        self.dose_lot = self._blend(
            [crushed[n] for n in ("1-5", "1-6", "2-4", "2-5")], "2026-09-12", "rinse test lot"
        )
        self.clearing_lot = self._blend(
            [crushed[n] for n in ("4-5", "4-6")], "2026-11-14", "clearing test lot"
        )
        portion_g, typed = _lb(1)
        steps.cut_portions(
            draw=DrawFrom(lot=self.dose_lot, mass_g=32 * portion_g, typed="32 x 1 lb"),
            portions=[NewLot(kind=Lot.Kind.PORTION, mass_g=portion_g, typed=typed)] * 32,
            recorded_by=self.people["mixer"],
            done_on=_day("2026-09-13"),
            details=StepDetails(people="Moss, Ida", method="riffle", passes=3),
        )

    def dose_trial(self) -> None:
        facts = self.story["dose_trial"]
        rinse = additives.add_additive(
            name="Rinse aid A (invented)",
            kind="wetting",
            bottle_ml=Decimal(500),
            bottle_typed="500 mL",
            price=Decimal("6.50"),
            currency="USD",
            priced_on=_day("2026-09-01"),
            recorded_by=self.people["keeper"],
        )
        trial = self._plan(facts, self.dose_lot, rinse, blocks=len(facts["blocks"]), portions="cut")
        for block in facts["blocks"]:
            for planned in trial.planned_runs.filter(block__number=block["block"]).select_related(
                "treatment"
            ):
                result = block["runs"][planned.treatment.name]
                if (
                    facts["failed"]["block"] == block["block"]
                    and facts["failed"]["treatment"] == planned.treatment.name
                ):
                    self._log(planned, {"failed": facts["failed"]["reason"]}, block["day"])
                else:
                    self._log(planned, result, block["day"])
            running.close_block(
                block=trial.blocks.get(number=block["block"]), closed_by=self.people["panner"]
            )
        run = trial.planned_runs.first().run
        products.keep_products(
            step=run.step,
            products=[
                NewLot(kind=Lot.Kind.CONCENTRATE, mass_g=Decimal("6.2"), typed="6.2 g", field="concentrate"),
                NewLot(kind=Lot.Kind.TAILS, mass_g=Decimal("440"), typed="440 g", field="tails"),
            ],
            recorded_by=self.people["panner"],
        )

    def running_trial(self) -> None:
        facts = self.story["running_trial"]
        flocculant = additives.add_additive(
            name="Flocculant F (invented)", kind="flocculant", recorded_by=self.people["keeper"]
        )
        trial = self._plan(facts, self.clearing_lot, flocculant, blocks=facts["blocks"], portions="measured")
        portion_g, typed = _lb(1)
        done = list(trial.planned_runs.filter(block__number__lte=2).select_related("treatment", "block"))[:3]
        for planned in done:
            result = facts["runs"][planned.block.number - 1][planned.treatment.name]
            self._log(planned, result, facts["day"], portion=running.Portion(mass_g=portion_g, typed=typed))
        running.close_block(block=trial.blocks.get(number=1), closed_by=self.people["panner"])

    def clearing_test(self) -> None:
        """Four tubs of the running trial's muddy water, watched side by side."""
        facts = self.story["clearing_test"]
        panner = self.people["panner"]
        flocculant = Additive.objects.get(kind="flocculant")
        tubs = []
        for tub in facts["tubs"]:
            dose = {}
            if "dose" in tub:
                ml_per_l = round(units.parse_dose(tub["dose"]).ml_per_l, 6)
                dose = {"additive": flocculant, "ml_per_l": ml_per_l, "dose_typed": tub["dose"]}
            tubs.append(clearing.TubOf(label=tub["label"], **dose))
        test = clearing.add_clearing_test(
            question=facts["question"],
            lot=self.clearing_lot,
            measure="clear_mm",
            target=Decimal(facts["target_mm"]),
            water_depth_mm=Decimal(facts["depth_mm"]),
            tubs=tubs,
            recorded_by=panner,
        )
        began_at = datetime.datetime.fromisoformat(facts["began_at"])
        made = clearing.begin_tubs(tubs=list(test.tubs.all()), began_at=began_at, recorded_by=panner)
        for tub, facts_of_tub in zip(made, facts["tubs"], strict=True):
            for minutes, value in zip(facts["minutes"], facts_of_tub["clear_mm"], strict=True):
                clearing.read_tub(tub=tub, minutes=Decimal(minutes), value=Decimal(value), recorded_by=panner)
        watched = datetime.timedelta(minutes=facts["minutes"][-1] + 1)
        clearing.end_test(test=test, ended_at=began_at + watched, recorded_by=panner)

    def assays(self) -> None:
        """Three parcels with their returns, one certificate revised, one with a failed blank; and a fourth that is waited for."""
        keeper = self.people["keeper"]
        self.laboratory = dispatching.add_laboratory(
            name="Invented Assay Office", turnaround_days=25, recorded_by=keeper
        )
        self.materials = {
            "blank": dispatching.add_material(
                name="Barren quartz (invented)", kind="blank", packet_g=Decimal(500), recorded_by=keeper
            ),
            "reference": dispatching.add_material(
                name="Reference R8 (invented)",
                kind="reference",
                certified_typed="8.40",
                certified_g_per_t=Decimal("8.40"),
                plus_minus_typed="0.25",
                plus_minus_g_per_t=Decimal("0.25"),
                plus_minus_kind="one_sd",
                unit="g/t",
                packet_g=Decimal(60),
                recorded_by=keeper,
            ),
        }
        splits = self.splits
        of_blend = self._take_for_assay(self.dose_lot, "2026-09-14")
        sent = [lot for name, lot in splits.items() if not name.startswith("3")] + [of_blend]
        dispatch = dispatching.pack_dispatch(
            laboratory=self.laboratory,
            method="fire_30",
            price_per_sample=Decimal("28.00"),
            price_besides=Decimal("18.00"),
            lots=sent,
            recorded_by=keeper,
        )
        dispatching.say_sent(
            dispatch=dispatch, sent_on=_day("2026-09-15"), expected_on=_day("2026-10-10"), recorded_by=keeper
        )
        grades = {splits[assay["bucket"]].pk: assay["grade_g_per_t"] for assay in self.story["assays"]}
        grades[of_blend.pk] = 17.85
        printed = {sample.tag: grades[sample.lot_id] for sample in dispatch.samples.order_by("tag")}
        self._store_return(dispatch, printed, "INV-0917", "2026-10-06")
        for parcel in self.story["parcels"]:
            self._parcel(parcel)
        dispatching.send_dispatch(
            laboratory=self.laboratory,
            sent_on=_day("2026-11-16"),
            method="screen_fire",
            expected_on=_day("2026-12-12"),
            lots=[lot for name, lot in splits.items() if name.startswith("3")],
            recorded_by=keeper,
        )

    def _parcel(self, facts: dict) -> None:
        """Pack a parcel with its checks, send it, and store what came back: the revised certificate after the one it mends."""
        keeper = self.people["keeper"]
        lots_of = {split["bucket"]: self.further_splits[split["bucket"]] for split in facts["splits"]}
        dispatch = dispatching.pack_dispatch(
            laboratory=self.laboratory,
            method=facts["method"],
            price_per_sample=Decimal(facts["price"]),
            price_besides=Decimal(facts["besides"]),
            lots=list(lots_of.values()),
            recorded_by=keeper,
        )
        printed = {}
        for check in facts["checks"]:
            known = set(dispatch.samples.values_list("pk", flat=True))
            dispatching.add_checks(
                dispatch=dispatch, checks=[self._check(check, dispatch, lots_of)], recorded_by=keeper
            )
            printed[dispatch.samples.exclude(pk__in=known).get().tag] = check["grade"]
        tags = {sample.lot_id: sample.tag for sample in dispatch.samples.all()}
        of_bucket = {split["bucket"]: tags[lots_of[split["bucket"]].pk] for split in facts["splits"]}
        printed |= {of_bucket[split["bucket"]]: split["grade"] for split in facts["splits"]}
        dispatching.say_sent(
            dispatch=dispatch,
            sent_on=_day(facts["sent"]),
            expected_on=_day(facts["expected"]),
            recorded_by=keeper,
        )
        if "revised" not in facts:
            self._store_return(dispatch, printed, facts["certificate"], facts["reported"])
            return
        revised = facts["revised"]
        slipped = of_bucket[revised["bucket"]]
        first = printed | {slipped: Decimal(str(printed[slipped])) * 10}
        replaced = self._store_return(dispatch, first, facts["certificate"], facts["reported"])
        self._store_return(dispatch, printed, revised["certificate"], revised["reported"], replaces=replaced)

    def _check(self, facts: dict, dispatch, lots_of: dict[str, Lot]) -> dispatching.PlannedCheck:
        if facts["kind"] in self.materials:
            return dispatching.PlannedCheck(kind=facts["kind"], material=self.materials[facts["kind"]])
        return dispatching.PlannedCheck(
            kind="duplicate",
            stage="field",
            of=dispatch.samples.get(lot=lots_of[facts["of"]]),
            mass_g=Decimal(facts["mass_g"]),
            typed=f"{facts['mass_g']} g",
            done_on=_day("2026-09-02"),
            details=StepDetails(method="riffle", passes=4),
        )

    def _store_return(self, dispatch, printed: dict, number: str, reported: str, replaces=None):
        """Store a certificate that prints these values, in the order of the tags."""
        lines = ["Invented Assay Office,,", f"Job,{number},", "Sample,Au_ppm,Remark"]
        lines += [f"{tag},{value}," for tag, value in sorted(printed.items())]
        data = "\n".join(lines).encode()
        return assays.store_return(
            dispatch=dispatch,
            certificate=read_certificate(data, f"{number}.csv"),
            certificate_number=number,
            reported_on=_day(reported),
            file_name=f"{number}.csv",
            file_bytes=data,
            replaces=replaces,
            recorded_by=self.people["keeper"],
        )

    def mistake(self) -> None:
        """One slip taken back, so that a void is there to be seen."""
        bucket = self.buckets["3-1"]
        half_g = (bucket.on_hand_g / 2).quantize(Decimal("0.00001"))
        bucket.refresh_from_db()
        step = steps.discard_from_lot(
            draw=DrawFrom(lot=bucket, mass_g=half_g, typed="half"),
            recorded_by=self.people["mixer"],
            done_on=_day("2026-10-20"),
            details=StepDetails(loss_reason="thought it was the barren bucket"),
        )
        material.void_step(step=step, reason="wrong bucket, put back", voided_by=self.people["mixer"])

    def shed(self) -> None:
        """What else happens to lots: one stands on a shelf, one is lent, one held back, one spilled, one was read wrong."""
        mixer = self.people["mixer"]
        lots.move_lots(lots=[self.dose_lot, self.clearing_lot], place="shed, lower shelf", recorded_by=mixer)
        lots.hand_over_lots(lots=[self.buckets["2-6"]], holder="Bram, at the creek", recorded_by=mixer)
        lots.reserve_lot(lot=self.buckets["1-4"], reason="kept for a second opinion", recorded_by=mixer)
        contamination.mark_lot(
            lot=self.buckets["3-2"],
            kind=Contamination.Kind.SPILL,
            since=_day("2026-10-21"),
            what="tipped over by the door, swept up with the dust of the floor",
            recorded_by=mixer,
        )
        bucket = self.buckets["4-1"]
        read_g = (bucket.mass_g + Decimal(500)).quantize(Decimal("0.01"))
        correction.correct_step(
            step=bucket.made_by,
            draws={},
            makes={bucket.pk: Weight(mass_g=read_g, typed=f"{read_g} g")},
            reason="the empty bucket was taken off twice",
            corrected_by=self.people["keeper"],
        )

    def season(self) -> None:
        """Three more finished trials on one lot: two additives in one tub, a technique and a pan, two rinses side by side.

        And a second one of the rinse, with a dose too many.
        """
        lot = self._blend(
            [self._crush(name) for name in ("2-1", "2-2", "2-3")], "2026-09-26", "season test lot"
        )
        self.additives = {
            "rinse": Additive.objects.get(kind="wetting"),
            "flocculant": Additive.objects.get(kind="flocculant"),
            "other rinse": additives.add_additive(
                name="Rinse aid B (invented)", kind="wetting", recorded_by=self.people["keeper"]
            ),
        }
        for facts in self.story["season_trials"]:
            lot.refresh_from_db()
            self._finish(self._fix(self._draft(facts, lot), facts), facts)
        # The rinse again, on what is left of its own lot.
        facts = self.story["overdose_trial"]
        self.dose_lot.refresh_from_db()
        self._finish(self._fix(self._draft(facts, self.dose_lot), facts), facts)

    def _draft(self, facts: dict, lot: Lot) -> Trial:
        return self._plan_trial(
            facts,
            lot,
            outcome=facts["outcome"],
            blocks_planned=len(facts["blocks"]),
            portions_from="measured",
        )

    def _fix(self, trial: Trial, facts: dict) -> Trial:
        """Give the draft its treatments, from factors or one by one, and draw its plan."""
        panner = self.people["panner"]
        if "factors" in facts:
            factors.make_factorial(
                trial=trial, factors=[self._factor(factor) for factor in facts["factors"]], recorded_by=panner
            )
        else:
            self._add_treatments(trial, facts["treatments"])
        return self._fix_and_open(trial)

    def _factor(self, facts: dict) -> factors.FactorOf:
        levels = [
            factors.LevelOf(name, round(units.parse_dose(name).ml_per_l, 6))
            if "additive" in facts and name != "none"
            else factors.LevelOf(name)
            for name in facts["levels"]
        ]
        additive = self.additives[facts["additive"]] if "additive" in facts else None
        return factors.FactorOf(facts["name"], facts["kind"], levels, additive)

    def _finish(self, trial: Trial, facts: dict) -> None:
        """Log every run as the story has it, judge the rows that are judged, and close block after block."""
        portion_g, typed = _lb(1)
        treatments = trial.treatments.prefetch_related("levels__factor")
        told = {
            treatment.pk: " + ".join(level.name for level in treatment.levels.all()) or treatment.name
            for treatment in treatments
        }
        for block in trial.blocks.all():
            story = facts["blocks"][block.number - 1]
            codes = {}
            for planned in trial.planned_runs.filter(block=block):
                name = told[planned.treatment_id]
                codes[name] = planned.blind_code
                run = self._log(
                    planned,
                    story["runs"][name],
                    story["day"],
                    portion=running.Portion(mass_g=portion_g, typed=typed),
                    panner=self.people[story["panner"]],
                )
                self._pan_mud(run, story["runs"][name], story["day"])
            for judge, order in story.get("judgings", {}).items():
                places = {codes[name]: place for place, name in enumerate(order, start=1)}
                judging.keep_judging(
                    block=block,
                    judge=self.people[judge],
                    look=judging.Look(places=places, judged_on=_day(story["day"])),
                    recorded_by=self.people[judge],
                )
            running.close_block(block=block, closed_by=self.people["panner"])

    def _pan_mud(self, run: Run, result: dict, day: str) -> None:
        """What the flocculant took down with the mud, panned out of the tub."""
        if "mud_mg" not in result:
            return
        gold = Decimal(str(result["mud_mg"]))
        mud.log_run_mud(
            run=run,
            mud=running.PannedAgain(
                panned_on=_day(day),
                panner=run.panner,
                gold_mg=gold or None,
                gold_typed=f"{gold} mg",
                below_scale=not gold,
                scale_step_mg=Decimal("0.1"),
            ),
            recorded_by=run.panner,
        )

    def meeting(self) -> None:
        """What the group concluded at its meeting after the season."""
        keeper = self.people["keeper"]
        dose_trial, combination, technique, *_ = Trial.objects.filter(state=Trial.State.CLOSED).order_by("pk")
        dose = self.story["dose_trial"]["treatments"][2]["dose"]
        common = {
            "concluded_by": "Ida, Moss, Bram",
            "concluded_on": _day("2026-11-02"),
            "recorded_by": keeper,
        }
        findings.keep_finding(
            about=Finding.About.ADDITIVE,
            stand=Finding.Stand.DO,
            sentence="Rinse aid A, 1/8 teaspoon to the gallon, goes into every tub.",
            why="The least dose that was shown to keep more gold; the next larger one was not shown to keep more.",
            additive=self.additives["rinse"],
            ml_per_l=round(units.parse_dose(dose).ml_per_l, 6),
            dose_typed=dose,
            evidence=self._evidence(dose_trial),
            **common,
        )
        findings.keep_finding(
            about=Finding.About.FLOCCULANT,
            stand=Finding.Stand.OPEN,
            sentence="Whether two drops of flocculant cost gold is not settled: not in the tub one pans in, until it is.",
            evidence=self._evidence(combination),
            **common,
        )
        findings.keep_finding(
            about=Finding.About.TECHNIQUE,
            stand=Finding.Stand.OPEN,
            sentence="Slow swirling takes twice the minutes; whether it keeps more gold needs more blocks.",
            evidence=self._evidence(technique),
            **common,
        )

    def _evidence(self, trial: Trial) -> findings.Evidence:
        keeper = self.people["keeper"]
        return findings.Evidence(
            trials=[trial],
            clearing_tests=[],
            freeze=lambda record: findings.FrozenFigures(**vars(frozen_of(record, keeper))),
            seen={},
        )

    def _crush(self, name: str) -> Lot:
        bucket = self.buckets[name]
        bucket.refresh_from_db()
        crushed_g = (bucket.on_hand_g * Decimal("0.992")).quantize(Decimal("1"))
        step = steps.crush_lot(
            draw=DrawFrom(lot=bucket, mass_g=bucket.on_hand_g, typed="all of it", takes_all=True),
            crushed=NewLot(
                kind=Lot.Kind.CRUSHED, mass_g=crushed_g, typed=f"{crushed_g} g", title=bucket.title
            ),
            recorded_by=self.people["mixer"],
            done_on=_day("2026-09-05"),
            details=StepDetails(
                people="Moss",
                machine="jaw, then hand mill",
                passes=2,
                target_size_um=units.sieve_opening_um("astm_e11", 20),
            ),
        )
        return step.made.get()

    def _blend(self, lots: list[Lot], day: str, title: str) -> Lot:
        total_g = sum(lot.on_hand_g for lot in lots)
        blend_g = (total_g * Decimal("0.997")).quantize(Decimal("1"))
        step = steps.blend_lots(
            draws=[
                DrawFrom(lot=lot, mass_g=lot.on_hand_g, typed="all of it", takes_all=True) for lot in lots
            ],
            blend=NewLot(kind=Lot.Kind.BLEND, mass_g=blend_g, typed=f"{blend_g} g", title=title),
            recorded_by=self.people["mixer"],
            done_on=_day(day),
            details=StepDetails(people="Moss, Ida", method="rolled", passes=60),
        )
        return step.made.get()

    def _take_for_assay(self, lot: Lot, day: str, mass_g: int = 400) -> Lot:
        lot.refresh_from_db()
        step = steps.take_for_assay(
            draw=DrawFrom(lot=lot, mass_g=Decimal(mass_g), typed=f"{mass_g} g"),
            recorded_by=self.people["mixer"],
            done_on=_day(day),
            details=StepDetails(method="riffle", passes=4),
        )
        return step.made.get()

    def _plan(self, facts: dict, lot: Lot, additive, *, blocks: int, portions: str) -> Trial:
        self.additives = {"": additive}
        lot.refresh_from_db()
        trial = self._plan_trial(
            facts,
            lot,
            outcome=Trial.Outcome.GOLD_MASS,
            blocks_planned=blocks,
            portions_from=portions,
        )
        self._add_treatments(trial, facts["treatments"])
        return self._fix_and_open(trial)

    def _plan_trial(self, facts: dict, lot: Lot, **fields) -> Trial:
        portion_g, typed = _lb(1)
        return planning.plan_trial(
            question=facts["question"],
            feed_lot=lot,
            smallest_ratio=Decimal("1.25"),
            portion_mass_g=portion_g,
            portion_typed=typed,
            water_ml=Decimal(9000),
            water_typed="9 L",
            soak_min=Decimal(10),
            scale_step_mg=Decimal("0.1"),
            mixer=self.people["mixer"],
            recorded_by=self.people["panner"],
            **fields,
        )

    def _add_treatments(self, trial: Trial, treatments: list[dict]) -> None:
        for treatment in treatments:
            doses = []
            if "dose" in treatment:
                dose = units.parse_dose(treatment["dose"])
                additive = self.additives[treatment.get("additive", "")]
                doses = [
                    planning.DoseOf(
                        additive=additive, ml_per_l=round(dose.ml_per_l, 6), typed=treatment["dose"]
                    )
                ]
            planning.add_treatment(
                trial=trial,
                name=treatment["name"],
                is_control=treatment.get("control", False),
                technique="",
                doses=doses,
                recorded_by=self.people["panner"],
            )

    def _fix_and_open(self, trial: Trial) -> Trial:
        trial = planning.fix_plan(trial=trial, planned_by=self.people["panner"])
        planning.open_key(trial=trial, member=self.people["mixer"])
        return trial

    def _log(
        self, planned: PlannedRun, result: dict, day: str, portion: running.Portion | None = None, panner=None
    ) -> Run:
        return running.log_run(
            planned=planned,
            result=self._result(result, day, panner),
            recorded_by=panner or self.people["panner"],
            portion=portion,
        )

    def _result(self, result: dict, day: str, panner: Member | None = None) -> running.RunResult:
        common = {
            "panned_on": _day(day),
            "panner": panner or self.people["panner"],
            "pan": "12 inch, dark",
            "water": "spring, fresh",
        }
        if "failed" in result:
            common |= {"failed": True, "fail_reason": result["failed"]}
            if "gold_mg" not in result:
                return running.RunResult(**common)
        common |= {"soak_min": Decimal(10), "pan_min": Decimal(str(result.get("pan_min", 12)))}
        if "gold_mg" not in result:
            return running.RunResult(**common)
        return running.RunResult(
            **common,
            gold_mg=Decimal(str(result["gold_mg"])) or None,
            gold_typed=f"{result['gold_mg']} mg",
            below_scale=result["gold_mg"] == 0,
            scale_step_mg=Decimal("0.1"),
            colours=result["colours"],
        )
