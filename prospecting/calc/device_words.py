"""What a browser calls itself, in the words a person has for it."""

from prospecting.calc.language import phrase

# The first that is found counts: most browsers also name others, to be served like them.
SYSTEMS = {
    "iPhone": "iPhone",
    "iPad": "iPad",
    "Android": "Android",
    "CrOS": "Chromebook",
    "Windows": "Windows",
    "Macintosh": "Mac",
    "Linux": "Linux",
}
BROWSERS = {
    "Edg": "Edge",
    "OPR/": "Opera",
    "SamsungBrowser": "Samsung Internet",
    "Firefox": "Firefox",
    "FxiOS": "Firefox",
    "CriOS": "Chrome",
    "Chrome": "Chrome",
    "Safari": "Safari",
}


def device_words(user_agent: str) -> str:
    """Return system and browser of a User-Agent header (RFC 9110, section 10.1.5), in words; which words browsers put there
    is common practice, no source.

    >>> device_words("Mozilla/5.0 (Android 15; Mobile; rv:145.0) Gecko/145.0 Firefox/145.0")
    'Android, Firefox'
    >>> device_words("")
    'unknown device'
    """
    system = next((word for sign, word in SYSTEMS.items() if sign in user_agent), "")
    browser = next((word for sign, word in BROWSERS.items() if sign in user_agent), "")
    return ", ".join(filter(None, [system, browser])) or phrase("unknown device")
