"""Every address of the API, said once: the OpenAPI document, the page that explains it and the addresses come from here."""

from collections.abc import Iterator
from dataclasses import dataclass, field

from prospecting.api.gate import MOST_WRONG
from prospecting.api.kinds import CODE, DAY, ID, MOMENT, TEXT, YES_NO, Kind, one_of
from prospecting.api.listing import Filter, Listing
from prospecting.api.material import CLAIMS, DIGS, LOTS, ORIGIN, READING, SAMPLES, ZONES
from prospecting.api.records import Field, Record
from prospecting.models import Member
from trials.api.recording import EXAMPLE, RUN_SENT
from trials.api.work import DOSE, PLANNED_RUN, RUN, RUNS, TREATMENT, TRIALS

VERSION = "1"
ROOT = "/api/1/"
LISTINGS = (CLAIMS, ZONES, DIGS, LOTS, SAMPLES, TRIALS, RUNS)
PARTS = (ORIGIN, READING, DOSE, TREATMENT, PLANNED_RUN)
TOKEN = Record(
    "Token",
    "Who you are to this site.",
    (
        Field("member", TEXT, "The member this token acts as.", lambda token: token.member),
        Field("member_id", ID, "Number of that member.", lambda token: token.member_id),
        Field("role", one_of(Member.Role), "The member's role now.", lambda token: token.member.role),
        Field("token", TEXT, "What the token is called.", lambda token: token.name),
        Field(
            "may_record",
            YES_NO,
            "Whether it may also record runs.",
            lambda token: token.may_record and token.member.can_write,
        ),
        Field("last_used_on", DAY, "Day of the last request before this one.", may_be_null=True),
        Field("expires_at", MOMENT, "When it ends by itself."),
    ),
)
PROBLEM = {
    "type": "object",
    "description": "Why something was not done. It has this one shape for every refusal.",
    "properties": {
        "code": {"type": "string", "description": "The reason, for a program."},
        "sentence": {"type": "string", "description": "The reason, for a person."},
        "field": {
            "anyOf": [{"type": "string"}, {"type": "null"}],
            "description": "The field or filter it stands beside; null for none.",
        },
        "refusals": {
            "type": "array",
            "description": "All reasons, the first of them above.",
            "items": {
                "type": "object",
                "properties": {
                    "field": {"anyOf": [{"type": "string"}, {"type": "null"}]},
                    "code": {"type": "string"},
                    "sentence": {"type": "string"},
                },
                "required": ["field", "code", "sentence"],
                "additionalProperties": False,
            },
        },
        "asks": {
            "type": "array",
            "items": {"type": "string"},
            "description": "What has to be looked at again: send the same with sure: true once it is right.",
        },
    },
    "required": ["code", "sentence", "field", "refusals", "asks"],
    "additionalProperties": False,
}
REFUSALS = {
    "400": "What was sent is no JSON.",
    "401": "The token is missing, misspelt, ended, too old, or its member may no longer sign in.",
    "403": "The token's member may not do this, or the token only reads.",
    "404": "Nothing in the books is at this address.",
    "405": "The address does not answer this method.",
    "409": "The books have moved on: the lot no longer holds it, the run is in already, the trial is closed.",
    "413": "More than the site takes at once.",
    "415": "What was sent does not say that it is JSON.",
    "422": "What was asked or sent can't be taken as it stands; with asks, a figure looks ten times off.",
    "429": f"{MOST_WRONG} wrong tokens came from this address within a quarter of an hour. A right one still opens.",
    "500": "The site failed over it. A run may be sent again with the same identity.",
    "507": "The site's disk is full: nothing was recorded. Tell a keeper.",
}
READS, RECORDS = ("401", "403", "404", "405", "422", "429", "500", "507"), tuple(REFUSALS)


@dataclass(frozen=True)
class Endpoint:
    """One address and method. `name` is the address's name among the urls, `within` what stands in the address."""

    name: str
    method: str
    address: str
    says: str
    answers: dict[str, tuple[str, dict]]
    within: dict[str, tuple[Kind, str]] = field(default_factory=dict)
    filters: tuple[Filter, ...] = ()
    takes: dict | None = None
    refusals: tuple[str, ...] = READS
    # For the page: the record told.
    record: Record | None = None

    def operation(self) -> dict:
        told = {
            "operationId": self.name,
            "summary": self.says,
            "parameters": list(self._parameters()),
            "responses": {status: _response(says, schema) for status, (says, schema) in self.answers.items()}
            | {status: {"$ref": f"#/components/responses/Problem{status}"} for status in self.refusals},
        }
        if self.takes:
            sent = {"schema": {"$ref": "#/components/schemas/RunSent"}, "example": EXAMPLE}
            told["requestBody"] = {"required": True, "content": {"application/json": sent}}
        return told

    def _parameters(self) -> Iterator[dict]:
        for name, (kind, says) in self.within.items():
            yield {"name": name, "in": "path", "required": True, "description": says, "schema": kind.schema}
        for each in self.filters:
            yield {"name": each.name, "in": "query", "description": each.says, "schema": each.kind.schema}


def _response(says: str, schema: dict) -> dict:
    return {"description": says, "content": {"application/json": {"schema": schema}}}


def _page_of(listing: Listing) -> dict:
    return {
        "type": "object",
        "properties": {
            "items": {"type": "array", "items": listing.record.reference},
            "next": {
                "anyOf": [{"type": "string"}, {"type": "null"}],
                "description": "Address of what comes after on this site; null at the end.",
            },
        },
        "required": ["items", "next"],
        "additionalProperties": False,
    }


def _of_listing(listing: Listing) -> Iterator[Endpoint]:
    address = f"{ROOT}{listing.name}/"
    yield Endpoint(
        name=f"api-{listing.name}",
        method="GET",
        address=address,
        says=listing.says,
        answers={"200": ("At most so many, oldest first.", _page_of(listing))},
        filters=listing.asked_by,
        record=listing.record,
    )
    one = {"code": (CODE, "The code on its tag.")} if listing.key == "code" else {"id": (ID, "Its number.")}
    yield Endpoint(
        name=f"api-{listing.one}",
        method="GET",
        address=f"{address}{{{next(iter(one))}}}/",
        says=f"One {listing.one}.",
        answers={"200": ("What the books hold.", listing.told_of_one.reference)},
        within=one,
        record=listing.told_of_one,
    )


RECORDED = {
    "201": ("Recorded.", RUN.reference),
    "200": (
        "Recorded before, under this identity and with the same body: nothing was changed.",
        RUN.reference,
    ),
}
ENDPOINTS = (
    Endpoint(
        name="api-token",
        method="GET",
        address=ROOT,
        says="Who you are to this site, and until when.",
        answers={"200": ("Your token.", TOKEN.reference)},
        record=TOKEN,
    ),
    *(endpoint for listing in LISTINGS for endpoint in _of_listing(listing)),
    Endpoint(
        name="api-lot-run-record",
        method="POST",
        address=f"{ROOT}lots/{{code}}/runs/",
        says="Record a test pan of a lot.",
        answers=RECORDED,
        within={"code": (CODE, "The code on the lot's tag.")},
        takes=RUN_SENT,
        refusals=RECORDS,
        record=RUN,
    ),
    Endpoint(
        name="api-trial-run-record",
        method="POST",
        address=f"{ROOT}trials/{{id}}/runs/{{blind_code}}/",
        says="Record a planned run of a trial, by the blind code on its tub.",
        answers=RECORDED,
        within={"id": (ID, "Number of the trial."), "blind_code": (CODE, "The code on the tub.")},
        takes=RUN_SENT,
        refusals=RECORDS,
        record=RUN,
    ),
    Endpoint(
        name="api-openapi",
        method="GET",
        address=f"{ROOT}openapi.json",
        says="This description, as an OpenAPI 3.1 document.",
        answers={"200": ("The document.", {"type": "object"})},
    ),
)
TOLD = [listing.record for listing in LISTINGS] + [TRIALS.whole, TOKEN, *PARTS]


def openapi(site: str) -> dict:
    """The whole description by the OpenAPI Specification 3.1; `site` is the address the site was asked under."""
    paths: dict[str, dict] = {}
    for endpoint in ENDPOINTS:
        paths.setdefault(endpoint.address, {})[endpoint.method.lower()] = endpoint.operation()
    problem = {"$ref": "#/components/schemas/Problem"}
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Books of a prospecting group",
            "version": VERSION,
            "description": (
                "Reads claims, zones, digs, lots, samples, trials and runs, and records runs. Masses and grades are decimals "
                "written as text, so that no digit is lost; the unit ends the name of the field. Moments are in UTC. What is "
                "hidden from a panner is hidden here; positions and papers are null for a guest."
            ),
        },
        "servers": [{"url": site}],
        "security": [{"token": []}],
        "paths": paths,
        "components": {
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}},
            "schemas": {record.name: record.schema for record in TOLD}
            | {"Problem": PROBLEM, "RunSent": RUN_SENT},
            "responses": {f"Problem{status}": _response(says, problem) for status, says in REFUSALS.items()},
        },
    }
