from dataclasses import dataclass

from django.http import FileResponse, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render

from prospecting.access import MEMBER, page
from prospecting.actions.photos import set_scale
from prospecting.calc.language import phrase
from prospecting.forms.photos import ScaleForm
from prospecting.models import Photo
from prospecting.views.entry import enter
from prospecting.views.saved_file import shown_jpeg


@page(role=MEMBER)
def photo(request: HttpRequest, pk: int) -> FileResponse:
    """A picture, for members only: it may show where the hole is."""
    kept = get_object_or_404(Photo, pk=pk)
    return shown_jpeg(kept.file, f"photo-{kept.pk}.jpg")


@page(role=MEMBER)
def photo_thumb(request: HttpRequest, pk: int) -> FileResponse:
    """The small one for lists; the picture itself where it was kept before there were small ones."""
    kept = get_object_or_404(Photo, pk=pk)
    return shown_jpeg(kept.thumb or kept.file, f"photo-{kept.pk}-small.jpg")


@page(role=MEMBER, methods=("GET", "POST"))
def photo_scale(request: HttpRequest, pk: int) -> HttpResponse:
    """Tap both ends of the scale bar in the picture and say how long it is."""
    kept = get_object_or_404(Photo, pk=pk)
    form = ScaleForm(request.POST or None, member=request.user, photo=kept)

    def make() -> ScaleOf:
        return ScaleOf(set_scale(photo=kept, px_per_mm=form.px_per_mm, recorded_by=request.user))

    if response := enter(request, form, make, said=phrase("The scale of the picture is kept.")):
        return response
    return render(request, "prospecting/photo_scale.html", {"photo": kept, "form": form})


@dataclass(frozen=True)
class ScaleOf:
    """Where a scale can be seen: on its own page, not in the bare picture."""

    photo: Photo

    def get_absolute_url(self) -> str:
        return self.photo.get_scale_url()
