from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render

from prospecting.access import MEMBER, page
from prospecting.actions.claim_papers import add_claim_paper, void_claim_paper
from prospecting.calc.language import phrase
from prospecting.forms.claim_papers import ClaimPaperForm, ClaimPaperVoidForm
from prospecting.models import Claim, ClaimPaper
from prospecting.views.claim_dates import claim_crumbs
from prospecting.views.entry import enter
from prospecting.views.saved_file import saved_file


@page(role=MEMBER, methods=("GET", "POST"))
def claim_paper_add(request: HttpRequest, pk: int) -> HttpResponse:
    claim = get_object_or_404(Claim, pk=pk)
    form = ClaimPaperForm(request.POST or None, request.FILES or None, member=request.user)
    if response := enter(
        request,
        form,
        lambda: add_claim_paper(claim=claim, **form.values(), recorded_by=request.user),
        said=phrase("The paper is kept."),
    ):
        return response
    return render(
        request,
        "prospecting/claim_paper_add.html",
        {"claim": claim, "form": form, "crumbs": claim_crumbs(claim, phrase("Add a paper"))},
    )


@page(role=MEMBER)
def claim_paper_file(request: HttpRequest, pk: int) -> HttpResponse:
    """The file as it is kept, for members only: it may tell where. Saved, never shown or run by the browser here."""
    paper = get_object_or_404(ClaimPaper, pk=pk)
    return saved_file(bytes(paper.file_bytes), paper.content_type, paper.file_name)


@page(role=MEMBER, methods=("GET", "POST"))
def claim_paper_void(request: HttpRequest, pk: int) -> HttpResponse:
    papers = ClaimPaper.objects.select_related("claim", "recorded_by").defer("file_bytes")
    paper = get_object_or_404(papers, pk=pk)
    form = ClaimPaperVoidForm(request.POST or None, member=request.user)
    if response := enter(
        request,
        form,
        lambda: void_claim_paper(paper=paper, reason=form.cleaned_data["reason"], voided_by=request.user),
        said=phrase("Voided. The paper stays to be read, with your reason."),
    ):
        return response
    return render(
        request,
        "prospecting/claim_paper_void.html",
        {"paper": paper, "form": form, "crumbs": claim_crumbs(paper.claim, phrase("Void a paper"))},
    )
