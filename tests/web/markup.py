"""A page read back: well formed, and nothing in it that a strict policy refuses."""

from html.parser import HTMLParser

from typing_extensions import override

VOID = {"meta", "link", "br", "input"}
OWN = ("/", "#", "data:image/png;base64,")


class Markup(HTMLParser):
    """What an HTML text is made of: tags with their attributes, and the words between them."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self._open: list[str] = []
        self.feed(text)
        assert self._open == []

    @override
    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self._open.append(tag)

    @override
    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    @override
    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop() == tag

    @override
    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        """All words."""
        return " ".join(" ".join(self.words).split())


def checked(text: str) -> Markup:
    """The page, which has no style, no handler, no script of its own and no address of anybody else."""
    page = Markup(text)
    ids = [attributes["id"] for _, attributes in page.tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    for tag, attributes in page.tags:
        assert tag not in {"style", "iframe", "object", "embed"}
        assert "style" not in attributes, tag
        assert not any(name.startswith("on") for name in attributes)
        assert tag != "script" or attributes == {"type": "module", "src": "/own/fresh.js"}
        for name in ("src", "href", "action"):
            address = attributes.get(name) or "/"
            assert address.startswith(OWN), (tag, address[:60])
            assert not address.startswith("//")
    return page
