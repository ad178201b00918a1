import pytest

from prospecting.calc.codes import check_letter
from prospecting.calc.tag_address import capital_address, code_in_text

CODE = f"BRK-47-{check_letter('BRK47')}"


# RFC 3986, sections 3.1 and 3.2.2: scheme and host in either case are the same; section 3.3 says no such thing of the path.
def test_only_scheme_and_host_are_put_in_capitals():
    assert capital_address("http://shed.example:8000/gold/LOTS/X/") == "HTTP://SHED.EXAMPLE:8000/gold/LOTS/X/"


@pytest.mark.parametrize(
    "text",
    [
        "HTTPS://GOLD.EXAMPLE.ORG/LOTS/{}/",
        "https://gold.example.org/lots/{}/",
        "http://192.168.1.20:8000/lots/{}",
        "https://old.example/under/a/path/LOTS/{}/?from=tag",
        "https://[::1]:8000/lots/{}/#came-from",
        "  HTTP://ANYWHERE.INVALID/LOTS/{}/\n",
        "{}",
    ],
)
@pytest.mark.parametrize("code", [CODE, CODE.lower()])
def test_reads_the_code_whatever_the_host(text, code):
    assert code_in_text(text.format(code)) == CODE


@pytest.mark.parametrize(
    "text",
    [
        "https://elsewhere.example/",
        f"https://elsewhere.example/?lots={CODE}",
        f"ftp://elsewhere.example/lots/{CODE}/",
        f"javascript://x/lots/{CODE}/",
        f"https://elsewhere.example/lots/{CODE}/void/",
        f"https://elsewhere.example/lots/{CODE}/ and more",
        f"https:///lots/{CODE}/",
        "WIFI:T:WPA;S:://;P:x;;",
    ],
)
def test_another_address_is_refused_in_words(text):
    with pytest.raises(ValueError, match="not the tag of a lot, and it is not opened"):
        code_in_text(text)


def test_a_refusal_repeats_no_more_than_the_start():
    with pytest.raises(ValueError) as refusal:
        code_in_text("https://elsewhere.example/" + "x" * 200)
    assert len(str(refusal.value)) < 120


@pytest.mark.parametrize("frame", ["{}", "https://gold.example.org/lots/{}/"])
def test_every_wrong_check_letter_is_refused(frame):
    for letter in "ABCDEFGHJKMNPQRSTUVWXYZ":
        if letter != CODE[-1]:
            with pytest.raises(ValueError, match="check letter does not fit"):
                code_in_text(frame.format(f"BRK-47-{letter}"))


@pytest.mark.parametrize("text", ["", "💥", "x" * 300, "://"])
def test_nonsense_is_refused_in_words(text):
    with pytest.raises(ValueError, match=r"\w+ \w+"):
        code_in_text(text)
