"""One lot in a form: typed, ticked or looked for; what can't be chosen is told in words."""

import uuid

import pytest
from django.http import QueryDict

from prospecting.calc import codes
from prospecting.forms import lot_choice
from prospecting.forms.base import SiteForm
from prospecting.forms.lot_choice import LooksForLots, LotField
from prospecting.models import Lot
from tests import make

pytestmark = pytest.mark.django_db


class TryForm(LooksForLots, SiteForm):
    lot = LotField(label="Lot", not_kinds=(Lot.Kind.PORTION,), likely=(Lot.Kind.BLEND,))


class MayForm(LooksForLots, SiteForm):
    lot = LotField(label="Lot", required=False)


def sent(form_class=TryForm, *, old_page=False, initial=None, **typed) -> SiteForm:
    """The form as a page sends it; `lot` was typed, `ticked` is the card's code."""
    data = QueryDict(mutable=True)
    data["identity"] = str(uuid.uuid4())
    if not old_page:
        data["lot_cards"] = "1"
    if "ticked" in typed:
        data["lot_ticked"] = typed.pop("ticked")
    data.update({"lot": ""} | typed)
    return form_class(data, member=make.make_member(), initial=initial or {})


def lot_of(form: SiteForm) -> Lot:
    assert form.is_valid(), form.errors
    return form.cleaned_data["lot"]


def refusal(form: SiteForm) -> str:
    assert not form.is_valid()
    return form.errors["lot"][0]


def shown(form: SiteForm) -> list[str]:
    return [lot.code for lot in form["lot"].found.cards]


def other_check_letter(code: str) -> str:
    return code[:-1] + next(letter for letter in codes.CHECK_LETTERS if letter != code[-1])


def used_up(**fields) -> Lot:
    lot = make.make_lot("900", **fields)
    Lot.objects.filter(pk=lot.pk).update(on_hand_g=0)
    return lot


def test_a_lot_is_typed_ticked_or_both():
    lot = make.make_lot()
    typed = lot.code.lower().replace("-", " ")
    assert lot_of(sent(lot=typed)) == lot
    assert lot_of(sent(ticked=lot.code)) == lot
    assert lot_of(sent(lot=typed, ticked=lot.code)) == lot


def test_a_page_of_an_older_version_sends_the_number_of_a_lot_and_no_newer_one_can():
    lot = make.make_lot()
    assert lot_of(sent(lot=str(lot.pk), old_page=True)) == lot
    assert "A lot code is three letters" in refusal(sent(lot=str(lot.pk)))
    for number in ("999999", "9" * 19, "9" * 40):
        assert refusal(sent(lot=number, old_page=True)) == "That lot is not in the books. Choose another one."


def test_two_different_lots_are_asked_about_and_both_offered():
    one, other = make.make_lot(), make.make_lot()
    form = sent(lot=one.code, ticked=other.code)
    assert refusal(form) == f"You typed {one.code} and ticked {other.code}. Tick the one you mean."
    assert set(shown(form)[:2]) == {one.code, other.code}
    assert (form["lot"].found.ticked, form["lot"].found.typed) == ("", "")
    assert "ticked “none”" in refusal(sent(MayForm, lot=one.code, ticked="none"))


def test_a_wrong_check_letter_is_told_and_stays_to_be_mended():
    lot = make.make_lot()
    typed = other_check_letter(lot.code)
    for form in (sent(lot=typed), sent(lot=typed, ticked=lot.code)):
        assert "the check letter does not fit" in refusal(form)
        assert form["lot"].found.typed == typed


def test_nothing_chosen_is_told_where_a_lot_is_needed():
    assert refusal(sent()) == "Tick a lot, or type the code on its tag."
    assert lot_of(sent(MayForm, ticked="none")) is None
    assert lot_of(sent(MayForm, old_page=True)) is None
    # After a look that found several none is ticked: to leave the lot out by that would be a guess.
    form = sent(MayForm)
    assert refusal(form) == "Tick one of the lots, or “No lot”."
    assert form["lot"].found.ticked == ""
    assert MayForm(member=make.make_member())["lot"].found.ticked == "none"
    # The card for none isn't on the page where one is needed.
    assert refusal(sent(ticked="none")) == "Tick a lot, or type the code on its tag."


def test_a_lot_that_cannot_be_chosen_is_told_why():
    void, blend = make.make_lot(), make.make_lot()
    Lot.objects.filter(pk=void.pk).update(is_void=True)
    portion = make.make_portions(blend, 1)[0]
    empty = used_up()
    assert refusal(sent(lot=void.code)) == f"{void.code} is voided. Choose another lot."
    assert refusal(sent(ticked=empty.code)) == f"{empty.code} is used up. Choose a lot with mass on hand."
    assert "it is a lot of kind “portion”" in refusal(sent(lot=portion.code))
    form = sent(lot=blend.code)
    form.fields["lot"].refuse(blend, "Not that one.")
    assert refusal(form) == "Not that one."
    assert blend.code not in shown(form)


def test_a_used_up_lot_that_stands_in_the_record_may_stay():
    empty = used_up()
    form = sent(ticked=empty.code, initial={"lot": empty.code})
    form.fields["lot"].stays = empty.code
    assert lot_of(form) == empty


@pytest.mark.parametrize("typed", ["BRK-47-T", "BRK47T"])
def test_a_sound_code_of_no_lot_is_told(typed):
    assert refusal(sent(lot=typed)).startswith("No lot BRK-47-T is in the books.")


def test_looking_records_nothing_and_complains_of_nothing_else():
    lot = make.make_lot(title="blue vein")
    form = sent(lot="BLUE", look="lot")
    assert not form.is_valid()
    assert not form.errors
    found = form["lot"].found
    assert (found.said, found.ticked, found.typed) == ("1 lot fits “BLUE”.", lot.code, "")
    # What is ticked alone by looking is no choice of another lot yet: it is sent with the rest.
    assert shown(form) == [lot.code]


def test_whoever_looks_means_the_text_whatever_was_ticked():
    one, other = make.make_lot(), make.make_lot(title="blue vein")
    for text in (other.code, "blue"):
        assert sent(lot=text, ticked=one.code, look="lot")["lot"].found.ticked == other.code


def test_looking_for_a_code_ticks_it_and_for_nonsense_says_so():
    lot, empty = make.make_lot(), used_up()
    assert sent(lot=lot.code, look="lot")["lot"].found.said == f"{lot.code} is ticked below."
    assert "is used up" in sent(lot=empty.code, look="lot")["lot"].found.said
    assert "the check letter" in sent(lot=other_check_letter(lot.code), look="lot")["lot"].found.said
    nothing = sent(lot="zebra", look="lot")["lot"].found
    assert nothing.said == "No lot to choose here has “zebra” in its code or in what it is."
    assert nothing.typed == "zebra"
    assert sent(look="lot")["lot"].found.said == "Type a code or a word to look for."
    assert sent(lot="a\0b" * 60, look="lot")["lot"].found.said


def test_looking_for_a_kind_finds_its_lots():
    blend = make.make_blend((make.make_lot(), "4000"), (make.make_lot(), "3000"))
    form = sent(lot="blend", look="lot")
    assert form["lot"].found.said == "1 lot fits “blend”."
    assert shown(form) == [blend.code]
    # A portion can't be chosen here.
    make.make_portions(make.make_lot("5000"), 2)
    assert sent(lot="portion", look="lot")["lot"].found.said.startswith("No lot to choose here has “portion”")


def test_words_sent_instead_of_a_code_offer_what_fits():
    one, other = (make.make_lot(title=f"blue vein {side}") for side in ("east", "west"))
    make.make_lot(title="red")
    form = sent(lot="blue")
    assert refusal(form) == "“blue” is no code, but fits the lots below: tick the one you mean."
    assert shown(form) == [other.code, one.code]
    assert form["lot"].found.ticked == ""


def test_a_few_are_offered_likely_kinds_first_and_never_all():
    buckets = [make.make_lot() for _ in range(lot_choice.MOST_OFFERED + 2)]
    blend = make.make_blend(*((bucket, "100") for bucket in buckets[:2]))
    form = TryForm(member=make.make_member())
    assert shown(form)[0] == blend.code
    assert len(shown(form)) == lot_choice.MOST_OFFERED
    assert form["lot"].found.more
    oldest = buckets[2]
    form = TryForm(member=make.make_member(), initial={"lot": oldest.code})
    assert shown(form)[:2] == [oldest.code, blend.code]
    assert form["lot"].found.ticked == oldest.code


def test_the_cost_of_offering_does_not_grow_with_the_lots(django_assert_num_queries):
    for _ in range(3):
        make.make_lot()
    form = TryForm(member=make.make_member())
    with django_assert_num_queries(2):
        shown(form)


def test_what_another_changed_meanwhile_takes_the_place_of_the_ticked_card():
    """A ticked card of the page as it was shown must not gainsay the lot that stands now."""
    before, now = make.make_lot(), make.make_lot()
    page = TryForm(member=make.make_member(), initial={"lot": before.code})
    page.note_as_shown()
    form = sent(ticked=before.code, **{SiteForm.SHOWN: page.fields[SiteForm.SHOWN].initial})
    form.note_as_shown()
    said = form.overtaken_by({"lot": now.code})
    assert said["lot"] == f"Meanwhile changed to “{now.code}”, as it stands here now."
    assert form["lot"].found.ticked == now.code


def meanwhile(before: str, now: str, **typed) -> tuple[SiteForm, str]:
    """A form that showed one lot, sent after another put the other one there; and what is said of it."""
    page = MayForm(member=make.make_member(), initial={"lot": before})
    page.note_as_shown()
    form = sent(MayForm, **typed, **{SiteForm.SHOWN: page.fields[SiteForm.SHOWN].initial})
    form.note_as_shown()
    return form, form.overtaken_by({"lot": now})["lot"]


def test_no_lot_left_as_it_was_is_no_choice_of_its_sender():
    now = make.make_lot()
    form, said = meanwhile("", now.code, ticked="none")
    assert said == f"Meanwhile changed to “{now.code}”, as it stands here now."
    assert form["lot"].found.ticked == now.code


def test_a_lot_taken_out_meanwhile_stands_as_no_lot_and_can_be_sent_so():
    before = make.make_lot()
    form, said = meanwhile(before.code, "", ticked=before.code)
    assert said == "Meanwhile emptied, as it stands here now."
    assert form["lot"].found.ticked == "none"
    assert lot_of(form) is None


def test_a_card_ticked_anew_stays_ticked_whatever_another_did():
    """A page without its script sends no text beside the card, and an emptied field has none either."""
    before, mine = make.make_lot(), make.make_lot()
    form, said = meanwhile(before.code, "", ticked=mine.code)
    assert said == "Meanwhile emptied. Here stands what you typed: sent again, it takes its place."
    assert form["lot"].found.ticked == mine.code
