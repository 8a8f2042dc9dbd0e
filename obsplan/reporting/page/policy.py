"""What a browser may do with the page: show its own styles and run its own script, no more.

The content security policy names style and script by their hashes. A hash covers no style
attribute, so those become rules of the style sheet.
"""

import re
from base64 import b64encode
from hashlib import sha256

from obsplan.reporting.page.elements import Html

# Quotes in texts and attributes are escaped, so this finds attributes alone.
STYLE_ATTRIBUTE = re.compile(r' style="([^"]*)"')


def with_style_rules(body: Html) -> tuple[Html, str]:
    """The body without style attributes, and the rules that say the same."""
    names: dict[str, int] = {}

    def marked(attribute: re.Match) -> str:
        return f' data-place="{names.setdefault(attribute[1], len(names))}"'

    bare = Html(STYLE_ATTRIBUTE.sub(marked, body))
    return bare, "".join(f'[data-place="{k}"]{{{style}}}\n' for style, k in names.items())


def content_policy(style: str, script: str) -> Html:
    """The policy as an element of the head; it must stand before style and script.

    `style` and `script` are all that stands between the tags, to the character.
    """
    rules = [
        "default-src 'none'",
        "img-src data:",
        f"style-src {_hash(style)}",
        f"script-src {_hash(script)}",
        "base-uri 'none'",
        "form-action 'none'",
    ]
    return Html(f'<meta http-equiv="Content-Security-Policy" content="{"; ".join(rules)}">')


def _hash(text: str) -> str:
    return f"'sha256-{b64encode(sha256(text.encode()).digest()).decode()}'"
