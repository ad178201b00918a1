"""What the settled mud of an additive's tubs held, beside that of tubs without: of closed trials' runs, of clearing tests."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

from prospecting.calc.language import phrase
from trials.calc import flocculant
from trials.calc.flocculant import Bounds
from trials.frames.flocculant_books import Books
from trials.frames.runs import found_beside_mud, weighed
from trials.models import SettledMud, Tub

if TYPE_CHECKING:
    from trials.calc.working import WorkingRow


@dataclass(frozen=True)
class MudLine:
    """Gold in the mud of one dose's tubs, or of those without. `found` lists (whose, gold, link) of each.

    `share` is of all the gold found of those runs: in the pan, in tails panned again, in the mud.
    """

    found: list[tuple[str, str, str]]
    of_runs: Bounds | None
    runs: int
    share: Bounds | None
    of_tubs: Bounds | None

    @property
    def in_words(self) -> str:
        """For a cell of the table."""
        said = []
        if self.of_runs is not None:
            said.append(phrase("{gold} a portion", gold=self.of_runs.as_gold))
        if self.share is not None and self.share.as_share:
            said.append(phrase("{share} of the gold found", share=self.share.as_share))
        if self.of_tubs is not None:
            said.append(phrase("{gold} a tub of a clearing test", gold=self.of_tubs.as_gold))
        return ", ".join(said) or phrase("colours only")


def mud_of(books: Books, dose: Decimal | None) -> MudLine | None:
    """What was found in the mud of this dose's tubs (None: of those without); None where no mud was panned."""
    of_runs = [mud for mud in books.muds if mud.run.planned.treatment_id in _treatments_of(books, dose)]
    of_tubs = [tub for tub in books.tubs if hasattr(tub, "settled_mud") and books.holds(tub, dose)]
    if not (of_runs or of_tubs):
        return None
    return MudLine(
        found=[*map(_of_run, of_runs), *map(_of_tub, of_tubs)],
        of_runs=_mean([weighed(mud) for mud in of_runs]),
        runs=sum(1 for mud in of_runs if weighed(mud) is not None),
        share=_share(of_runs),
        of_tubs=_mean([weighed(tub.settled_mud) for tub in of_tubs]),
    )


def mud_in_words(
    lost: Mapping[str, tuple[MudLine, tuple[float, float] | None]], without: MudLine | None
) -> list[str]:
    """Sentences on the mud of each dose by its name: its mud, and the mg a portion lost from the pan where a loss is shown."""
    if not lost:
        return [
            phrase(
                "No mud of a tub with it has been panned yet. Where gold is lost, the settled mud is where to look for it "
                "first: pan it from a tub with the additive and from one without."
            )
        ]
    said = [_found_again(name, mud, lost_mg, without) for name, (mud, lost_mg) in lost.items()]
    if without is None:
        said.append(
            phrase(
                "No mud of a tub without additive was panned: some gold lies in any mud, and how much of this would lie "
                "there anyway is not known."
            )
        )
    said.append(
        phrase(
            "Below the scale is kept as less than one step, not as nothing. Gold found in the mud is never added to a run's "
            "gold: the pan did not catch it."
        )
    )
    return [sentence for sentence in said if sentence]


def mud_row(name: str, mud: MudLine) -> "WorkingRow":
    """How the figures of one dose's mud come about."""
    from trials.calc.working import WorkingRow

    return WorkingRow(
        phrase("{dose}: gold in the settled mud", dose=name),
        phrase(
            "mean of what was weighed, below the scale taken as nothing up to a step; share = mud / (run + tails where panned "
            "again + mud), each the mean of the same runs"
        ),
        tuple((whose, gold, "", url) for whose, gold, url in mud.found),
        mud.in_words,
    )


def _treatments_of(books: Books, dose: Decimal | None) -> set[int]:
    if dose is not None:
        return {arm.treatment.pk for arm in books.arms.get(dose, [])}
    return {each.pk for lines in books.closed for each in lines.treatments if each.is_control}


def _share(of_runs: Sequence[SettledMud]) -> Bounds | None:
    pairs = [(weighed(mud), found_beside_mud(mud.run)) for mud in of_runs]
    both = [(mud, flocculant.added_up(beside)) for mud, beside in pairs if mud is not None and beside]
    if not both:
        return None
    in_mud, beside = (flocculant.mean_bounds(side) for side in zip(*both, strict=True))
    return flocculant.share_found(in_mud, [beside])


def _found_again(
    name: str, mud: MudLine, lost_mg: tuple[float, float] | None, without: MudLine | None
) -> str:
    """How much of what the pan lost lay in the mud."""
    from trials.calc.working import figure

    if mud.of_runs is None:
        return ""
    if lost_mg is None:
        return phrase(
            "At {dose} no loss from the pan is known in mg, so it cannot be said how much of one lay in the mud.",
            dose=name,
        )
    bare = without.of_runs if without else None
    share = flocculant.found_again(lost_mg, mud.of_runs, bare)
    least, most = (figure(end, 2) for end in lost_mg)
    runs = phrase("mean of {number} runs", number=mud.runs) if mud.runs > 1 else phrase("one run")
    found = f"{runs}: {mud.of_runs.as_gold}"
    if bare is not None:
        found = phrase("{found}, {bare} without", found=found, bare=bare.as_gold)
    return phrase(
        "Of the {least} to {most} mg a portion lost from the pan at {dose}, about {share} was in the mud ({found}).",
        least=least,
        most=most,
        dose=name,
        share=share.about_share,
        found=found,
    )


def _mean(each: Sequence[Bounds | None]) -> Bounds | None:
    known = [one for one in each if one is not None]
    return flocculant.mean_bounds(known) if known else None


def _of_run(mud: SettledMud) -> tuple[str, str, str]:
    return (
        phrase("Run {code}", code=mud.run.planned.blind_code),
        _gold_text(mud),
        mud.run.get_absolute_url(),
    )


def _of_tub(tub: Tub) -> tuple[str, str, str]:
    return f"{tub}, “{tub.test}”", _gold_text(tub.settled_mud), tub.test.get_absolute_url()


def _gold_text(mud: SettledMud) -> str:
    gold = weighed(mud)
    if gold is not None:
        return gold.as_gold
    return phrase("{colours} colours, not weighed", colours=mud.colours)
