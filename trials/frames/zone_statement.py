"""What may be said of a zone outside the group, worded from its numbers, and what may not."""

from collections.abc import Mapping

from django.utils import dateformat
from django.utils.translation import gettext_lazy

from prospecting.calc import units
from prospecting.calc.language import phrase, phrase_counted
from prospecting.calc.number_words import listed
from prospecting.calc.zone_grade import ASSAY, PAN
from trials.frames.results import Estimate
from trials.frames.zone_results import ZoneResults

# Common practice in honest reporting (JORC Code 2012, Table 1, asks for kind of sample, wet or dry, method, number): the group
# borrows the manners.
NOT_TO_BE_SAID = (
    gettext_lazy("How much gold, or what value, the ground holds; tons times a grade."),
    gettext_lazy("Any of the terms that reporting rules keep for ground valued by a qualified person."),
    gettext_lazy("The best pan or assay alone, or as if it were usual."),
    gettext_lazy("Picked pieces or a dump as if they were the ground."),
    gettext_lazy("Pan and assay as one figure, or one made to fit the other."),
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
            phrase(
                "Indication only: small samples from the places that were dug; nobody has valued this ground."
            )
        )
    return sentences


def _of_pans(name: str, found: ZoneResults, panned: Estimate, mass_unit: str) -> str:
    masses = panned.results.columns.mass_g
    least, most = (units.format_mass(float(mass), mass_unit) for mass in (masses.min(), masses.max()))
    size = least if least == most else phrase("{low} to {high}", low=least, high=most)
    return phrase_counted(
        "{zone}: {number} pan of {size} each, {digs}, {basis}: {figures}. Panned by hand and weighed: free gold that a pan "
        "catches, not all the gold.",
        "{zone}: {number} pans of {size} each, {digs}, {basis}: {figures}. Panned by hand and weighed: free gold that a pan "
        "catches, not all the gold.",
        len(panned.results),
        zone=name,
        size=size,
        digs=_behind(found, panned),
        basis=_basis(panned),
        figures=_figures(panned),
    )


def _of_assays(name: str, found: ZoneResults, assayed: Estimate) -> str:
    methods = sorted({label.lower() for label in assayed.results.assayed_by})
    failed = len(assayed.results.failed)
    checked = (
        phrase("Checks failed in the certificates of {failed} of them.", failed=failed) if failed else ""
    )
    told = phrase_counted(
        "{zone}: {number} assay ({methods}), {digs}, {basis}: {figures}.",
        "{zone}: {number} assays ({methods}), {digs}, {basis}: {figures}.",
        len(assayed.results),
        zone=name,
        methods="; ".join(methods),
        digs=_behind(found, assayed),
        basis=_basis(assayed),
        figures=_figures(assayed),
    )
    return f"{told} {checked}".strip()


def _behind(found: ZoneResults, estimate: Estimate) -> str:
    digs = found.behind(estimate.results)
    kinds = sorted({dig.kind_text.partition(" (")[0].lower() for dig in digs})
    days = [dig.day for dig in digs]
    first, last = (dateformat.format(day, "j F Y") for day in (min(days), max(days)))
    when = (
        phrase("dug on {day}", day=first)
        if first == last
        else phrase("dug from {first} to {last}", first=first, last=last)
    )
    parts = {"kinds": listed(kinds), "when": when}
    if estimate.results.has_mixed:
        return phrase_counted(
            "from {number} dig ({kinds} samples) {when}, some blended with other ground",
            "from {number} digs ({kinds} samples) {when}, some blended with other ground",
            len(digs),
            **parts,
        )
    return phrase_counted(
        "from {number} dig ({kinds} samples) {when}",
        "from {number} digs ({kinds} samples) {when}",
        len(digs),
        **parts,
    )


def _basis(estimate: Estimate) -> str:
    dry = estimate.results.bases
    if dry == {True}:
        return phrase("dry basis")
    return phrase("wet basis") if dry == {False} else phrase("partly dry, partly wet basis")


def _figures(estimate: Estimate) -> str:
    told = [phrase("mean {mean}", mean=estimate.mean_text)]
    if estimate.range_text and len(estimate.results) > 1:
        told.append(phrase("single results {range}", range=estimate.range_text))
    if estimate.below:
        told.append(phrase("{number} below the limit", number=len(estimate.below)))
    if estimate.above:
        told.append(phrase("{number} above the method's limit", number=len(estimate.above)))
    return ", ".join(told)
