from django.http import FileResponse, Http404, HttpRequest
from django.shortcuts import get_object_or_404

from prospecting.access import MEMBER, page
from prospecting.models import Photo


@page(role=MEMBER)
def photo(request: HttpRequest, pk: int) -> FileResponse:
    """A picture, for members only: it may show where the hole is."""
    kept = get_object_or_404(Photo, pk=pk)
    try:
        file = kept.file.open("rb")
    except FileNotFoundError:
        raise Http404("The picture's file is missing.") from None
    response = FileResponse(file, content_type="image/jpeg", filename=f"photo-{kept.pk}.jpg")
    response["X-Content-Type-Options"] = "nosniff"
    # A picture never changes, and no cache on the way may keep it for others.
    response["Cache-Control"] = "private, max-age=86400"
    return response
