"""What may be said of a zone outside the group, worded from its numbers, and what may not."""

from collections.abc import Mapping, Sequence

from prospecting.calc import units
from prospecting.calc.zone_grade import ASSAY, PAN
from trials.frames.results import Estimate
from trials.frames.zone_results import ZoneResults
from trials.frames.zone_words import counted

# Common practice in honest reporting (JORC Code 2012, Table 1, asks for kind of sample, wet or dry, method, number): the group
# borrows the manners.
NOT_TO_BE_SAID = (
    "How much gold, or what value, the ground holds; tons times a grade.",
    "Any of the terms that reporting rules keep for ground valued by a qualified person.",
    "The best pan or assay alone, or as if it were usual.",
    "Picked pieces or a dump as if they were the ground.",
    "Pan and assay as one figure, or one made to fit the other.",
)


def statement_of(
    name: str,
    found: ZoneResults,
    estimates: Mapping[str, Estimate],
    *,
    mass_unit: str,
) -> list[str]:
    """Sentences to be copied as they are; `estimates` of pans and of assays, those wholly from this zone where there are any."""
    panned, assayed = estimates.get(PAN), estimates.get(ASSAY)
    sentences = []
    if panned:
        sentences.append(_of_pans(name, found, panned, mass_unit))
    if assayed:
        sentences.append(_of_assays(name, found, assayed))
    if sentences:
        sentences.append(
            "Indication only: small samples from the places that were dug; nobody has valued this ground."
        )
    return sentences


def _of_pans(name: str, found: ZoneResults, panned: Estimate, mass_unit: str) -> str:
    masses = panned.results.columns.mass_g
    least, most = (units.format_mass(float(mass), mass_unit) for mass in (masses.min(), masses.max()))
    size = least if least == most else f"{least} to {most}"
    return (
        f"{name}: {counted(len(panned.results), 'pan')} of {size} each, {_behind(found, panned)}, "
        f"{_basis(panned)}: {_figures(panned)}. Panned by hand and weighed: free gold that a pan catches, not all the gold."
    )


def _of_assays(name: str, found: ZoneResults, assayed: Estimate) -> str:
    methods = sorted({label.lower() for label in assayed.results.assayed_by})
    failed = len(assayed.results.failed)
    checked = f" Checks failed in the certificates of {failed} of them." if failed else ""
    return (
        f"{name}: {counted(len(assayed.results), 'assay')} ({'; '.join(methods)}), {_behind(found, assayed)}, {_basis(assayed)}: "
        f"{_figures(assayed)}.{checked}"
    )


def _behind(found: ZoneResults, estimate: Estimate) -> str:
    digs = found.behind(estimate.results)
    kinds = sorted({dig.kind_text.partition(" (")[0].lower() for dig in digs})
    days = [dig.day for dig in digs]
    first, last = (f"{day.day} {day:%B %Y}" for day in (min(days), max(days)))
    when = f"dug on {first}" if first == last else f"dug from {first} to {last}"
    mixed = ", some blended with other ground" if estimate.results.has_mixed else ""
    return f"from {counted(len(digs), 'dig')} ({_and(kinds)} samples) {when}{mixed}"


def _basis(estimate: Estimate) -> str:
    dry = estimate.results.bases
    if dry == {True}:
        return "dry basis"
    return "wet basis" if dry == {False} else "partly dry, partly wet basis"


def _figures(estimate: Estimate) -> str:
    told = [f"mean {estimate.mean_text}"]
    if estimate.range_text and len(estimate.results) > 1:
        told.append(f"single results {estimate.range_text}")
    if estimate.below:
        told.append(f"{len(estimate.below)} below the limit")
    if estimate.above:
        told.append(f"{len(estimate.above)} above the method's limit")
    return ", ".join(told)


def _and(words: Sequence[str]) -> str:
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1])))
