"""Where the page listens, and what is said when it cannot."""

import contextlib

import pytest

from nightturn.errors import ConfigError
from nightturn.web.listening import address_of, listening_socket


@pytest.mark.parametrize("text", ["127.0.0.1:8742", "localhost:0", "[::1]:8742", "127.1.2.3:1"])
def test_a_loopback_address_is_taken(text: str) -> None:
    assert address_of(text).names == ("localhost", "127.0.0.1", "::1")


@pytest.mark.parametrize(
    "text", ["0.0.0.0:8742", "192.0.2.7:80", "[::]:8742", "bench.example:8742", "127.0.0.1.nip.example:1"]
)
def test_any_other_is_refused_with_a_way_out(text: str) -> None:
    with pytest.raises(ConfigError, match="can be reached by others"):
        address_of(text)


@pytest.mark.parametrize(
    "text", ["", "8742", "127.0.0.1", "127.0.0.1:", "127.0.0.1:70000", ":8742", "127.0.0.1:-1", "127.0.0.1:٣"]
)
def test_what_is_no_address_is_refused(text: str) -> None:
    with pytest.raises(ConfigError, match=r"is no address|can be reached"):
        address_of(text)


def test_a_taken_port_is_one_line_that_names_it() -> None:
    with contextlib.closing(listening_socket(address_of("127.0.0.1:0"))) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(ConfigError) as refused:
            listening_socket(address_of(f"127.0.0.1:{port}"))

    assert f"127.0.0.1:{port}" in str(refused.value)
    assert "\n" not in str(refused.value)
