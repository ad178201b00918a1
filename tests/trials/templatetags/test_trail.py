import pytest
from django.template import Context, Template

from tests.trials.make_trial import make_additive, make_draft

pytestmark = pytest.mark.django_db


def trail(words: str, **context) -> str:
    return Template("{% load trail %}{% trail " + words + " %}").render(Context(context))


def test_a_page_leads_back_to_its_record_and_its_list():
    trial = make_draft()
    said = trail('trial "Doses"', trial=trial)
    assert said.index('<a href="/trials/">Trials</a>') < said.index(
        f'<a href="/trials/{trial.pk}/">Trial {trial.pk}</a>'
    )
    assert '<span aria-current="page">Doses</span>' in said


def test_the_page_itself_is_no_link():
    additive = make_additive("Rinse")
    said = trail("additive", additive=additive)
    assert '<span aria-current="page">Rinse</span>' in said
    assert said.count("<a ") == 1


def test_a_page_of_no_record_leads_back_to_its_list():
    said = trail('"additive-list" "Add"')
    assert '<a href="/additives/">Additives</a>' in said
    assert '<span aria-current="page">Add</span>' in said
