"""The API keeps to its own OpenAPI document: schemathesis makes requests from it, right ones and wrong ones."""

import os

import pytest
from django.core.signals import request_finished, request_started
from django.core.wsgi import get_wsgi_application
from django.db import close_old_connections
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from prospecting.models import Lot, Sample
from tests import make
from tests.prospecting.make_token import make_token
from tests.trials.api.test_reading import make_something
from trials.api.description import ENDPOINTS, openapi
from trials.models import Run

pytestmark = pytest.mark.django_db

EXAMPLES = 300 if os.environ.get("PROSPECTING_LONG_TESTS") else 6
# Asked of every answer. What a wrong request looks like to schemathesis is not always wrong to a form (a lot that is not there
# is 404, a figure ten times off 422), so that `positive_data_acceptance` is left to the tests of recording.
CHECKS = (
    "not_a_server_error",
    "status_code_conformance",
    "content_type_conformance",
    "response_headers_conformance",
    "response_schema_conformance",
    "negative_data_rejection",
    "missing_required_header",
)


@pytest.fixture
def api(db):
    """The document as schemathesis reads it, the site behind it, a token that records, and addresses that exist."""
    import schemathesis

    make_something()
    schema = schemathesis.openapi.from_dict(openapi("http://localhost"))
    schema.app = get_wsgi_application()
    schema.token = make_token(make.make_member("keeper"), may_record=True)
    # As Django's own test client does: a request must not close the connection that holds the test's transaction.
    for signal in (request_started, request_finished):
        signal.disconnect(close_old_connections)
    yield schema
    for signal in (request_started, request_finished):
        signal.connect(close_old_connections)


def real_parameters(name: str) -> dict:
    """What stands in this address for a record that is there."""
    run = Run.objects.select_related("planned").first()
    lot = Lot.objects.in_stock().first()
    if name in ("api-lot", "api-lot-run-record"):
        return {"code": lot.code}
    if name == "api-trial-run-record":
        open_run = run.planned.trial.planned_runs.open().first()
        return {"id": open_run.trial_id, "blind_code": open_run.blind_code}
    ids = {"api-run": run.pk, "api-trial": run.planned.trial_id, "api-sample": Sample.objects.first().pk}
    dig = lot.origins.get().dig
    ids |= {"api-dig": dig.pk, "api-zone": dig.zone_id, "api-claim": dig.zone.claim_id}
    return {"id": ids[name]} if name in ids else {}


@pytest.mark.parametrize("endpoint", ENDPOINTS, ids=lambda endpoint: endpoint.name)
def test_answers_as_described_whatever_is_sent(api, endpoint):
    from schemathesis.checks import CHECKS as KNOWN
    from schemathesis.checks import load_all_checks
    from schemathesis.generation import GenerationMode

    load_all_checks()

    operation = api[endpoint.address][endpoint.method]
    real = real_parameters(endpoint.name)
    checks = [check for check in KNOWN.get_all() if check.__name__ in CHECKS]
    assert len(checks) == len(CHECKS)
    ways = [operation.as_strategy(mode, path_parameters=real or None) for mode in GenerationMode]
    ways += [operation.as_strategy(GenerationMode.POSITIVE)]

    @given(case=st.one_of(*ways))
    @settings(
        max_examples=EXAMPLES,
        deadline=None,
        database=None,
        derandomize=EXAMPLES < 100,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    def ask(case) -> None:
        headers = {"Authorization": f"Bearer {api.token}", "Accept-Encoding": "identity"}
        case.call_and_validate(headers=headers, checks=checks)

    ask()


def test_the_document_is_one_of_openapi(api):
    """Against the schema that the OpenAPI Initiative publishes for documents of version 3.1."""
    api.validate()
