"""The page of a daemon, as the rig file asks for it."""

from nightturn.settings.part import Part


class WebPart(Part, frozen=True, kw_only=True):
    """The page of `serve`; absent means that there is none.

    Attributes:
        listen: HOST:PORT. Any other than a loopback address needs `cert` and `key`, PEM files (relative to `bench.toml`), and people
            who may look (`nightturn users`). names: of this computer, under which browsers of others ask for it.
    """

    listen: str = "127.0.0.1:8742"
    cert: str | None = None
    key: str | None = None
    names: tuple[str, ...] = ()
