"""Inward targets are refused at each connection, whatever a name leads to and whenever it changes."""

from __future__ import annotations

import socket
from collections.abc import Sequence

import pytest

from service.relay.connections import look_up
from tests.relay.receiver import Authority, Receiver, Reply, receiving, wait_until
from tests.relay.site import Site

NAME = "hooks.example.org"


class Names:
    """A resolver whose answers a test sets; it counts the questions."""

    def __init__(self, *answers: Sequence[str]) -> None:
        self.answers = list(answers)
        self.asked: list[tuple[str, int]] = []

    def __call__(self, host: str, port: int) -> Sequence[str]:
        self.asked.append((host, port))
        return self.answers.pop(0) if len(self.answers) > 1 else self.answers[0]


def cause(site: Site, hook: object) -> str | None:
    waiting = site.progress(hook).waiting  # type: ignore[arg-type]
    return None if waiting is None else waiting.cause


@pytest.mark.parametrize(
    "addresses",
    [
        ["127.0.0.1"],
        ["::1"],
        ["10.0.0.7"],
        ["169.254.169.254"],
        ["fe80::1%lo"],
        ["::ffff:127.0.0.1"],
        ["64:ff9b::7f00:1"],
        ["2002:7f00:1::"],
        ["0.0.0.0"],
        ["100.64.0.1"],
        # One inward address among good ones is enough.
        ["93.184.216.34", "127.0.0.1"],
    ],
)
def test_a_name_that_resolves_inward_is_not_connected_to(
    site: Site, receiver: Receiver, addresses: list[str]
) -> None:
    hook = site.register(f"https://{NAME}:{receiver.port}/x", line="A", type="line-recorded")
    names = Names(addresses)
    with site.relaying(resolve=names):
        wait_until(lambda: cause(site, hook) == "inward-target")
    assert names.asked == [(NAME, receiver.port)]
    assert receiver.connections == 0


def test_a_name_that_turns_inward_after_it_was_judged_finds_nothing(
    site: Site, receiver: Receiver, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rebinding: the first answer is good, every later one points at this machine."""
    dialled: list[str] = []

    def connect(address: tuple[str, int], *args: object, **more: object) -> socket.socket:
        dialled.append(address[0])
        raise ConnectionRefusedError

    monkeypatch.setattr("urllib3.util.connection.create_connection", connect)
    hook = site.register(f"https://{NAME}:{receiver.port}/x", line="A", type="line-recorded")
    names = Names(["93.184.216.34"], ["127.0.0.1"])
    with site.relaying(resolve=names):
        wait_until(lambda: cause(site, hook) == "unreachable")
        # The name was asked once, and the address that was judged is the one that was dialled.
        assert len(names.asked) == 1
        assert dialled == ["93.184.216.34"]
        site.clock.move(minutes=1)
        wait_until(lambda: cause(site, hook) == "inward-target")
    assert dialled == ["93.184.216.34"]
    assert receiver.connections == 0


def test_a_name_without_an_address_is_unreachable(site: Site) -> None:
    def nothing(host: str, port: int) -> Sequence[str]:
        raise socket.gaierror

    hook = site.register(f"https://{NAME}/x", line="A", type="line-recorded")
    with site.relaying(resolve=nothing):
        wait_until(lambda: cause(site, hook) == "unreachable")


def test_what_is_no_longer_allowed_is_no_longer_sent(site: Site, receiver: Receiver) -> None:
    hook = site.register(f"http://127.0.0.1:{receiver.port}/", line="A", type="line-recorded")
    with site.relaying(allowed=frozenset()):
        wait_until(lambda: cause(site, hook) == "inward-target")
    assert receiver.connections == 0


# --- TLS, at targets that are allowed: the loopback address is all that a test has -------------------
def test_a_certificate_for_the_name_opens_the_way(site: Site, authority: Authority) -> None:
    with receiving(tls=authority.server("localhost")) as receiver:
        hook = site.register(f"https://localhost:{receiver.port}/")
        site.work(50)
        with site.relaying(tls=authority.trusted()):
            for got in receiver.wait_for(61):
                got.verify(site.secret(hook.id))
                assert got.headers["host"] == f"localhost:{receiver.port}"
    assert receiver.connections <= 4


def test_a_certificate_for_an_address_opens_the_way(site: Site, authority: Authority) -> None:
    with receiving(tls=authority.server("127.0.0.1")) as receiver:
        site.register(f"https://127.0.0.1:{receiver.port}/")
        with site.relaying(tls=authority.trusted()):
            receiver.wait_for(11)


def test_an_ipv6_target_is_reached_by_its_brackets(site: Site, authority: Authority) -> None:
    try:
        made = receiving(tls=authority.server("::1"), host="::1")
        with made as receiver:
            site.register(f"https://[::1]:{receiver.port}/")
            with site.relaying(tls=authority.trusted()):
                got = receiver.wait_for(11)
            assert {each.headers["host"] for each in got} == {f"[::1]:{receiver.port}"}
    except OSError as error:
        pytest.skip(f"no IPv6 here: {error}")


@pytest.mark.parametrize(
    ("names", "expired", "trusted"),
    [(["other.example"], False, True), (["localhost"], True, True), (["localhost"], False, False)],
    ids=["another name", "expired", "another authority"],
)
def test_a_certificate_that_does_not_hold_keeps_the_message_back(
    site: Site, authority: Authority, names: list[str], expired: bool, trusted: bool
) -> None:
    with receiving(tls=authority.server(*names, expired=expired)) as receiver:
        hook = site.register(f"https://localhost:{receiver.port}/", line="A", type="line-recorded")
        with site.relaying(tls=authority.trusted() if trusted else None):
            wait_until(lambda: cause(site, hook) == "unreachable")
        assert receiver.got == []


def test_a_redirect_inward_is_not_followed(site: Site, receiver: Receiver) -> None:
    location = (("Location", f"http://127.0.0.1:{receiver.port}/"),)
    with receiving(lambda _: Reply(307, location)) as first:
        hook = site.register(f"http://127.0.0.1:{first.port}/", line="A", type="line-recorded")
        with site.relaying():
            wait_until(lambda: cause(site, hook) == "redirected")
    assert receiver.connections == 0


def test_the_systems_resolver_gives_each_address_once() -> None:
    addresses = look_up("localhost", 80)
    assert addresses
    assert len(set(addresses)) == len(addresses)
    assert set(addresses) <= {"127.0.0.1", "::1"}
