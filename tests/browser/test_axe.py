"""Every page as axe-core reads it (npm package axe-core, Mozilla Public License 2.0), light and dark, on a phone.

Its rules are those of WCAG 2.2 to AA and its good habits; what a runner reads is held to AAA contrast (1.4.6) as well.
"""

import pytest

from tests.browser.test_pages import addresses_for, is_runners
from tests.test_attack import play_scene

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.long]

TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
# Only colours differ in the dark.
COLOURS = ["color-contrast", "link-in-text-block"]
AAA = "color-contrast-enhanced"


def rules_for(address: str, scheme: str) -> dict:
    aaa = is_runners(address)
    if scheme == "dark":
        return {"runOnly": {"type": "rule", "values": COLOURS + [AAA] * aaa}}
    return {"runOnly": {"type": "tag", "values": TAGS}, "rules": {AAA: {"enabled": aaa}}}


def told(address: str, scheme: str, violation: dict) -> str:
    first = violation["nodes"][0]
    return f"{address} {scheme} {violation['id']}: {first['html'][:160]} {first['failureSummary'][:300]}"


@pytest.mark.parametrize("role", ["keeper", "panner", "guest"])
def test_axe_finds_nothing_on_any_page(role, transactional_db, open_page, signed_in):
    from axe_playwright_python.sync_playwright import Axe

    play_scene()
    # As high as the longest page: axe takes what happens to lie under the bar at the foot for covered for good.
    page = open_page(signed_in_as=signed_in(role), viewport={"width": 390, "height": 12000})
    axe = Axe()
    found = []
    addresses = addresses_for(role)
    for address in addresses:
        answer = page.goto(address)
        if role == "guest" and answer.status == 403:
            continue
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            answer = axe.run(page, options=rules_for(address, scheme) | {"resultTypes": ["violations"]})
            found += [told(address, scheme, one) for one in answer.response["violations"]]
        page.emulate_media(color_scheme="light")
    assert len(addresses) > 60
    assert not found, "\n".join(found)
