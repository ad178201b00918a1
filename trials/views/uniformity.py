from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse

from prospecting.access import page
from prospecting.calc.language import phrase
from prospecting.forms.lots import BlendChoiceForm
from prospecting.models import Lot
from trials.charts.uniformity import order_chart
from trials.charts.verdict import verdict_chart
from trials.forms.uniformity import BucketMassForm, UniformForm
from trials.frames.bucket_compare import compare_lots
from trials.frames.uniformity import lot_uniformity

Kind = Lot.Kind
BEFORE_BLENDING = (Kind.BUCKET, Kind.CRUSHED, Kind.UNDERSIZE, Kind.OVERSIZE, Kind.SPLIT, Kind.BLEND)


@page(role="guest")
def lot_uniform(request: HttpRequest, code: str) -> HttpResponse:
    """Whether the portions of a lot differ more than chance makes them, and how many more would tell."""
    lot = get_object_or_404(Lot.objects.select_related("made_by"), code=code)
    form = UniformForm(request.GET or None)
    found = lot_uniformity(
        lot, differs=form.differs_share(), grain_mg=form.grain_mg(), grade_unit=request.user.grade_unit
    )
    return render(
        request,
        "trials/lot_uniform.html",
        {
            "lot": lot,
            "form": form,
            "found": found,
            "looks": [
                (
                    each,
                    order_chart(each.points, title=phrase("{title}, portion by portion", title=each.title)),
                )
                for each in found.evidence
            ],
            "crumbs": [
                (phrase("Lots"), reverse("lot-list")),
                (lot.code, lot.get_absolute_url()),
                (phrase("Uniform enough?"), ""),
            ],
        },
    )


@page(role="guest")
def bucket_compare(request: HttpRequest) -> HttpResponse:
    """First which lots, then what their pans and assays say of each, before they are blended."""
    choice = BlendChoiceForm(request.GET, pool=Lot.objects.in_stock().of_kind(*BEFORE_BLENDING))
    crumbs = [(phrase("Lots"), reverse("lot-list")), (phrase("Compare before blending"), "")]
    if not choice.is_made():
        return render(request, "trials/bucket_compare.html", {"choice": choice, "crumbs": crumbs})
    member = request.user
    form = BucketMassForm(request.GET, lots=choice.lots, mass_unit=member.mass_unit)
    found = compare_lots(
        form.masses_g(),
        grain_mg=form.grain_mg(),
        grade_unit=member.grade_unit,
        mass_unit=member.mass_unit,
    )
    chart = verdict_chart(
        found.bars,
        caption=found.basis_unit,
        title=phrase("Each lot's pans or assays"),
        description=phrase("The table below holds the same numbers."),
        below_text=phrase("below"),
    )
    return render(
        request,
        "trials/bucket_compare.html",
        {"choice": choice, "form": form, "found": found, "chart": chart, "crumbs": crumbs},
    )
