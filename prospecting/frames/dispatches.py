"""One dispatch for its page: its tags in the laboratory's order, its checks, what it costs, what the laboratory is told."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.utils import timezone
from django.utils.translation import gettext_lazy

from prospecting.calc import packing, units
from prospecting.calc.language import phrase
from prospecting.calc.packing import ProposedChecks
from prospecting.models import Dispatch, ReferenceMaterial, Sample

Kind, Stage, PlusMinus = Sample.Kind, Sample.Stage, ReferenceMaterial.PlusMinus
# What nobody can know without a kind of check, by the kind.
WITHOUT = {
    Kind.BLANK: gettext_lazy(
        "Without a coarse blank nobody can tell whether gold was carried over from one sample to the next."
    ),
    Kind.REFERENCE: gettext_lazy(
        "Without a reference material nobody can tell whether the laboratory reads too high or too low."
    ),
    Kind.DUPLICATE: gettext_lazy(
        "Without a duplicate nobody can tell how far two assays of the same material lie apart."
    ),
}


@dataclass(frozen=True)
class ListLine:
    """One line of the list for the laboratory: a tag, its mass, and what is asked for it. Nothing of what lies under it."""

    tag: str
    mass_g: Decimal | None
    request: str


@dataclass(frozen=True)
class Parcel:
    """The samples in the laboratory's order, with everything the page tells of them."""

    samples: Sequence[Sample]
    blanks: int
    references: int
    duplicates: int
    share: str
    price: Decimal | None
    price_of_checks: Decimal | None
    without: tuple[str, ...]
    overdue_days: int
    rejects_in_days: int | None
    lines: Sequence[ListLine]
    # Where a packet's mass would tell it from the splits, no mass is printed.
    has_masses: bool
    proposed: ProposedChecks

    @property
    def checks(self) -> int:
        return self.blanks + self.references + self.duplicates

    @property
    def of_lots(self) -> int:
        return len(self.samples) - self.checks


def parcel_of(dispatch: Dispatch) -> Parcel:
    """What the page of a dispatch (read `with_state`) shows of its samples."""
    samples = list(
        dispatch.samples.with_value()
        .with_what()
        .select_related("duplicate_of__lot", "lot__made_by")
        .with_reading_counts()
        .order_by("place", "tag")
    )
    count = {kind: sum(1 for sample in samples if sample.kind == kind) for kind in Kind}
    checks = len(samples) - count[Kind.LOT]
    share = packing.share_of_checks(checks, len(samples))
    today = timezone.localdate()
    return Parcel(
        samples=samples,
        blanks=count[Kind.BLANK],
        references=count[Kind.REFERENCE],
        duplicates=count[Kind.DUPLICATE],
        share=units.format_share(share) if share else "",
        price=packing.order_price(len(samples), dispatch.price_per_sample, dispatch.price_besides),
        price_of_checks=packing.price_of_checks(checks, dispatch.price_per_sample) if checks else None,
        without=tuple(sentence for kind, sentence in WITHOUT.items() if not count[kind]),
        overdue_days=dispatch.days_past_expected if dispatch.is_overdue else 0,
        rejects_in_days=(dispatch.rejects_until - today).days if dispatch.rejects_until else None,
        lines=[_line(sample) for sample in samples],
        has_masses=not packing.masses_tell(
            [sample.material.packet_g for sample in samples if sample.material_id],
            [sample.lot.mass_g for sample in samples if sample.lot_id],
        ),
        proposed=packing.proposed_checks(count[Kind.LOT]).without(
            count[Kind.BLANK], count[Kind.REFERENCE], count[Kind.DUPLICATE]
        ),
    )


def _line(sample: Sample) -> ListLine:
    """Packets and splits look alike but for their mass, which the laboratory weighs anyway; a second cut has to be asked for."""
    if sample.duplicate_stage == Stage.COARSE:
        asked = phrase("second cut of {tag} after crushing", tag=sample.duplicate_of.tag)
        return ListLine(sample.tag, None, asked)
    if sample.duplicate_stage == Stage.PULP:
        asked = phrase("second weighing of {tag} from its pulverised powder", tag=sample.duplicate_of.tag)
        return ListLine(sample.tag, None, asked)
    return ListLine(sample.tag, sample.lot.mass_g if sample.lot_id else sample.material.packet_g, "")


MOST_SAMPLES = 100


@dataclass(frozen=True)
class MaterialSight:
    """A material's own page: what its certificate says, in words, and where its packets went."""

    sentences: tuple[str, ...]
    sd_text: str
    samples: Sequence[Sample]
    most: int = MOST_SAMPLES


def material_sight(material: ReferenceMaterial, *, grade_unit: str) -> MaterialSight:
    sd = material.between_laboratories_sd_g_per_t
    sd_text = ""
    if sd is not None:
        share = units.format_share(packing.relative(sd, material.certified_g_per_t))
        in_both = units.format_grade(sd, grade_unit)
        if grade_unit != "g_per_t":
            in_both = f"{in_both} ({units.format_grade(sd, 'g_per_t')})"
        sd_text = phrase("{sd}, {share} of the value", sd=in_both, share=share)
    return MaterialSight(
        sentences=tuple(_meaning(material, sd_text)),
        sd_text=sd_text,
        samples=list(
            material.samples.with_value()
            .with_reading_counts()
            .select_related("dispatch__laboratory")
            .order_by("-dispatch_id", "place")[:MOST_SAMPLES]
        ),
    )


MEANT = {
    PlusMinus.ONE_SD: gettext_lazy("The plus or minus is one standard deviation between laboratories."),
    PlusMinus.TWO_SD: gettext_lazy(
        "The plus or minus is two standard deviations between laboratories: half of it is one."
    ),
    PlusMinus.CONFIDENCE_95: gettext_lazy(
        "The plus or minus is a 95 % confidence limit of the mean: it tells how well the value is known, not how far single "
        "readings of good laboratories lie apart."
    ),
    PlusMinus.EXPANDED: gettext_lazy(
        "The plus or minus is an expanded uncertainty of the mean (k = 2): it tells how well the value is known, not how far "
        "single readings of good laboratories lie apart."
    ),
    PlusMinus.UNSAID: gettext_lazy("The certificate does not say what its plus or minus is."),
}


def _meaning(material: ReferenceMaterial, sd_text: str) -> list[str]:
    """What the certificate's plus or minus lets one judge by."""
    if material.kind == ReferenceMaterial.Kind.BLANK:
        return [
            phrase(
                "Barren rock, sent in pieces as coarse as the samples: gold found in it was carried over from what was crushed "
                "before it, or came from the laboratory."
            )
        ]
    sentences = [MEANT[material.plus_minus_kind]] if material.plus_minus_kind else []
    if sd_text:
        sentences.append(phrase("One standard deviation between laboratories is {sd}.", sd=sd_text))
    else:
        sentences.append(
            phrase(
                "One standard deviation between laboratories is not known. Look for it on the certificate: limits for a single "
                "reading can't be drawn without it."
            )
        )
    return sentences
