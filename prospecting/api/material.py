"""The ground, the lots and the assays, as the API tells them."""

from django.db.models import Exists, OuterRef, Prefetch, QuerySet

from prospecting.api.kinds import CODE, DAY, DECIMAL, ID, MOMENT, TEXT, WHOLE, YES_NO, list_of, one_of
from prospecting.api.listing import Filter, Listing, same
from prospecting.api.records import Field, Record, parts_of
from prospecting.models import AssayReturn, Claim, Dig, Dispatch, Lot, Origin, Reading, Sample, Step, Zone

RECORDED_AT = "When it was recorded, by the server's clock."


def since(column: str) -> Filter:
    return Filter(
        "since",
        MOMENT,
        "Only what was recorded at this moment or later. A correction of an older record is not found by it.",
        same(f"{column}__gte"),
    )


CLAIMS = Listing(
    name="claims",
    one="claim",
    says="The ground the group works on.",
    record=Record(
        "Claim",
        "Ground, as the members typed it from its papers. The land agency decides, not this record.",
        (
            Field("id", ID, "Number of the claim."),
            Field("name", TEXT, "What the group calls it."),
            Field("kind", one_of(Claim.Kind), "Kind of ground."),
            Field("permission", TEXT, "Permission to work here, and its limits."),
            Field("acreage", TEXT, "Acreage, as typed."),
            Field("serial_number", TEXT, "Agency serial number.", members_only=True),
            Field("holder", TEXT, "Holder or locator.", members_only=True),
            Field("located_on", DAY, "Day of location on the ground.", may_be_null=True, members_only=True),
            Field("legal_description", TEXT, "Legal description.", members_only=True),
            Field("county_record", TEXT, "County book, page and day recorded.", members_only=True),
            Field("note", TEXT, "Note.", members_only=True),
        ),
    ),
    rows=Claim.objects.all,
)

ZONES = Listing(
    name="zones",
    one="zone",
    says="Parts of claims thought to be alike.",
    record=Record(
        "Zone",
        "A part of a claim thought to be alike.",
        (
            Field("id", ID, "Number of the zone."),
            Field("claim", ID, "Number of its claim.", lambda zone: zone.claim_id),
            Field("claim_name", TEXT, "What its claim is called.", lambda zone: zone.claim.name),
            Field("name", TEXT, "What the group calls it."),
            Field("stripe", one_of(Zone.Stripe), "Stripe on the tags of lots from it."),
            Field("note", TEXT, "Note.", members_only=True),
        ),
    ),
    rows=lambda: Zone.objects.select_related("claim"),
    filters=(Filter("claim", ID, "Only zones of the claim with this number.", same("claim_id")),),
)


def _digs() -> QuerySet:
    buckets = Prefetch("step__made", Lot.objects.order_by("pk").only("pk", "code", "made_by_id"))
    return Dig.objects.select_related("zone", "step", "recorded_by").prefetch_related(buckets)


DIGS = Listing(
    name="digs",
    one="dig",
    says="Takings of material at a station on a day.",
    record=Record(
        "Dig",
        "One taking of material at a station in a zone on a day.",
        (
            Field("id", ID, "Number of the dig."),
            Field("claim", ID, "Number of its claim.", lambda dig: dig.zone.claim_id),
            Field("zone", ID, "Number of its zone.", lambda dig: dig.zone_id),
            Field("station", TEXT, "The spot, as the group calls it."),
            Field("dug_on", DAY, "Day it was dug."),
            Field("digger", TEXT, "Who dug."),
            Field("sample_kind", one_of(Dig.SampleKind), "How the material was taken."),
            Field("width_cm", DECIMAL, "Width across the vein, cm.", may_be_null=True),
            Field("depth_m", DECIMAL, "Depth below the surface, m.", may_be_null=True),
            Field("latitude", DECIMAL, "Degrees north, WGS 84.", may_be_null=True, members_only=True),
            Field("longitude", DECIMAL, "Degrees east, WGS 84.", may_be_null=True, members_only=True),
            Field(
                "buckets",
                list_of(CODE),
                "Codes of the buckets it filled.",
                lambda dig: [lot.code for lot in dig.step.made.all()],
            ),
            Field("note", TEXT, "Note."),
            Field("is_void", YES_NO, "Taken back: it counts no longer.", lambda dig: dig.step.is_void),
            Field("recorded_by", TEXT, "Who recorded it.", lambda dig: dig.recorded_by),
            Field("recorded_at", MOMENT, RECORDED_AT, lambda dig: dig.step.recorded_at),
        ),
    ),
    rows=_digs,
    filters=(
        Filter("claim", ID, "Only digs on the claim with this number.", same("zone__claim_id")),
        Filter("zone", ID, "Only digs in the zone with this number.", same("zone_id")),
        since("step__recorded_at"),
    ),
)

ORIGIN = Record(
    "Origin",
    "The share of a lot that came from one dig, every lot taken as well mixed.",
    (
        Field("dig", ID, "Number of the dig.", lambda origin: origin.dig_id),
        Field("zone", ID, "Number of its zone.", lambda origin: origin.dig.zone_id),
        Field("share", DECIMAL, "Share of the lot's mass, 0 to 1."),
    ),
)


def _lots() -> QuerySet:
    origins = Prefetch("origins", Origin.objects.select_related("dig").order_by("-share", "pk"))
    return Lot.objects.select_related("made_by").prefetch_related(origins)


def _of_ground(column: str):
    """Lots that hold material of a zone or a dig, each once, however many ways lead there."""

    def narrow(lots: QuerySet, value: int) -> QuerySet:
        return lots.filter(Exists(Origin.objects.filter(lot=OuterRef("pk"), **{column: value})))

    return narrow


def _in_stock(lots: QuerySet, wanted: bool) -> QuerySet:
    return lots.in_stock() if wanted else lots.exclude(pk__in=Lot.objects.in_stock().values("pk"))


LOTS = Listing(
    name="lots",
    one="lot",
    says="Masses of material, each with one code.",
    record=Record(
        "Lot",
        "A mass of material with one identity.",
        (
            Field("id", ID, "Number of the lot."),
            Field("code", CODE, "The code on its tag."),
            Field("kind", one_of(Lot.Kind), "What it is."),
            Field("title", TEXT, "What it is called."),
            Field("made_on", DAY, "Day it was made.", lambda lot: lot.made_by.done_on),
            Field("made_by", one_of(Step.Kind), "The step it was made by.", lambda lot: lot.made_by.kind),
            Field("mass_g", DECIMAL, "Mass when it was made, g."),
            Field("on_hand_g", DECIMAL, "Mass still on hand, g."),
            Field("is_dry", YES_NO, "Whether it was dried."),
            Field("top_size_um", DECIMAL, "Largest size in it, µm.", may_be_null=True),
            Field("place", TEXT, "Where it stands."),
            Field("holder", TEXT, "Who has it."),
            Field("reserve_reason", TEXT, "Why it is held back; empty where it is not."),
            Field("is_marked", YES_NO, "A mark of contamination reaches it."),
            Field("is_void", YES_NO, "Taken back: it counts no longer."),
            Field("note", TEXT, "Note."),
            Field(
                "origins", parts_of(ORIGIN), "Where its material came from.", lambda lot: lot.origins.all()
            ),
            Field("recorded_at", MOMENT, RECORDED_AT, lambda lot: lot.made_by.recorded_at),
        ),
    ),
    rows=_lots,
    key="code",
    filters=(
        Filter("code", CODE, "Only the lot with this code.", same("code")),
        Filter("kind", one_of(Lot.Kind), "Only lots of this kind.", same("kind")),
        Filter("zone", ID, "Only lots that hold material of this zone.", _of_ground("dig__zone_id")),
        Filter("dig", ID, "Only lots that hold material of this dig.", _of_ground("dig_id")),
        Filter("in_stock", YES_NO, "Only lots with mass on hand, or only those without.", _in_stock),
        since("made_by__recorded_at"),
    ),
)

READING = Record(
    "Reading",
    "One gold figure of a return, as printed and as understood.",
    (
        Field("id", ID, "Number of the reading."),
        Field(
            "certificate", TEXT, "Number of the certificate.", lambda it: it.assay_return.certificate_number
        ),
        Field("reported_on", DAY, "Day reported.", lambda it: it.assay_return.reported_on),
        Field("order", WHOLE, "Its place among the readings of this sample in the return."),
        Field("method", TEXT, "Method, as printed."),
        Field(
            "fraction", TEXT, "plus or minus: the part of a screen fire assay; empty for the whole sample."
        ),
        Field("fraction_mass_g", DECIMAL, "Mass of that part, g.", may_be_null=True),
        Field("raw_text", TEXT, "As printed."),
        Field("unit", TEXT, "Unit as printed."),
        Field("symbol", one_of(Reading.Symbol), "What it says: a value, a limit, or why there is none."),
        Field("grade_g_per_t", DECIMAL, "The value, g/t. Null below or above a limit.", may_be_null=True),
        Field("limit_g_per_t", DECIMAL, "The limit it lies below or above, g/t.", may_be_null=True),
        Field(
            "checks",
            one_of(AssayReturn.Checks),
            "What the checks in its return say of the whole return.",
            lambda it: it.assay_return.checks_state,
        ),
        Field(
            "is_replaced",
            YES_NO,
            "A revised certificate replaced its return: it counts no longer.",
            lambda it: it.assay_return.is_replaced,
        ),
    ),
)


def _samples() -> QuerySet:
    # A certificate's file lies in its row; nothing here shows it.
    replaced = Exists(AssayReturn.objects.filter(replaces=OuterRef("pk")))
    returns = AssayReturn.objects.without_file().annotate(is_replaced=replaced)
    readings = Reading.objects.in_turn().prefetch_related(Prefetch("assay_return", returns))
    return Sample.objects.select_related(
        "dispatch__laboratory", "lot", "material", "duplicate_of"
    ).prefetch_related(Prefetch("readings", readings))


def _answered_since(samples: QuerySet, moment) -> QuerySet:
    came = Reading.objects.filter(sample=OuterRef("pk"), assay_return__recorded_at__gte=moment)
    return samples.filter(Exists(came))


def _of_zone(samples: QuerySet, zone: int) -> QuerySet:
    return samples.filter(Exists(Origin.objects.filter(lot=OuterRef("lot_id"), dig__zone_id=zone)))


SAMPLES = Listing(
    name="samples",
    one="sample",
    says="What went to laboratories, what came back, and the value each sample counts with.",
    record=Record(
        "Sample",
        "One tag of a dispatch. A lot counts with the value in use, never with a single reading.",
        (
            Field("id", ID, "Number of the sample."),
            Field("tag", CODE, "The tag the laboratory saw."),
            Field("kind", one_of(Sample.Kind), "A split of a lot, or a check that looks like one."),
            Field(
                "lot",
                CODE,
                "Code of the lot it is; null for check material.",
                lambda sample: sample.lot and sample.lot.code,
                may_be_null=True,
            ),
            Field(
                "duplicate_of",
                CODE,
                "Tag of the sample it is a duplicate of.",
                lambda sample: sample.duplicate_of and sample.duplicate_of.tag,
                may_be_null=True,
            ),
            Field(
                "duplicate_stage",
                TEXT,
                "Where it was doubled: field, coarse (crushed) or pulp (ground to powder); else empty.",
            ),
            Field("material", TEXT, "The check material.", lambda sample: sample.material, may_be_null=True),
            Field("dispatch", ID, "Number of its dispatch.", lambda sample: sample.dispatch_id),
            Field("laboratory", TEXT, "The laboratory.", lambda sample: sample.dispatch.laboratory),
            Field(
                "method",
                one_of(Dispatch.Method),
                "The assay asked for.",
                lambda sample: sample.dispatch.method,
            ),
            Field(
                "sent_on",
                DAY,
                "Day sent; null while it is being packed.",
                lambda sample: sample.dispatch.sent_on,
                may_be_null=True,
            ),
            Field(
                "value_symbol",
                TEXT,
                "value, below or above a limit; empty while nothing is in use.",
                lambda sample: sample.in_use_symbol,
            ),
            Field(
                "value_g_per_t",
                DECIMAL,
                "The value in use, g/t.",
                lambda sample: sample.in_use_g_per_t,
                may_be_null=True,
            ),
            Field(
                "value_limit_g_per_t",
                DECIMAL,
                "The limit the sample lies below or above, g/t.",
                lambda sample: sample.in_use_limit_g_per_t,
                may_be_null=True,
            ),
            Field(
                "value_rule",
                one_of(Sample.Rule),
                "The rule the value in use follows.",
                lambda sample: sample.in_use_rule,
            ),
            Field(
                "value_reason",
                TEXT,
                "Why, where a member chose by hand.",
                lambda sample: sample.in_use_reason,
            ),
            Field(
                "readings",
                parts_of(READING),
                "Every reading, in the order they came.",
                lambda sample: sample.readings.all(),
            ),
        ),
    ),
    rows=_samples,
    filters=(
        Filter("tag", CODE, "Only the sample with this tag.", same("tag")),
        Filter("lot", CODE, "Only the sample of the lot with this code.", same("lot__code")),
        Filter("zone", ID, "Only samples of lots that hold material of this zone.", _of_zone),
        Filter("dispatch", ID, "Only samples of this dispatch.", same("dispatch_id")),
        Filter(
            "since",
            MOMENT,
            "Only samples of which a return was recorded at this moment or later.",
            _answered_since,
        ),
    ),
)
