"""Who may look, who may act, who is kept out, and how refusals are said."""

from __future__ import annotations

import json
import stat
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import httpx
import pytest

from monitor.api.app import may_bind
from monitor.api.links import folder_of, make_link, new_setup_link
from monitor.api.passwords import PasswordRefused, Passwords, Role, password_path, set_password
from monitor.api.sign_in import GUESSES, SESSION_S, Guesses
from tests.api.barn_at_hand import KEEPER, NEIGHBOUR, TOKEN, BarnAtHand
from tests.api.conftest import Visit

READS = [
    "/metrics",
    "/api/status",
    "/api/pens/brooder",
    "/api/pens/brooder/series?measure=temperature",
    "/api/pens/brooder/ventilation",
    "/api/pens/brooder/bedding",
    "/api/pens/brooder/air-changes",
    "/api/pens/brooder/week.svg",
    "/api/pens/brooder/fan",
    "/api/alarms",
    "/api/journal",
    "/api/calendar",
    "/api/settings",
    "/api/facts",
]
WRITES: list[tuple[str, str, object]] = [
    ("POST", "/api/alarms/brooder~birds_cold/acknowledge", None),
    ("POST", "/api/alarms/brooder~birds_cold/shelve", {"for_s": 600}),
    ("PUT", "/api/pens/brooder/fan", {"running": True, "for_s": 600}),
    ("POST", "/api/journal", {"pen": "brooder", "what": "note", "note": "x"}),
    ("POST", "/api/pens/brooder/rehearsal", {"limits": {}}),
    ("PUT", "/api/look-only", {"password": "whatever it is"}),
    ("DELETE", "/api/look-only", None),
]


@pytest.mark.parametrize("address", [*READS, "/api/stream"])
def test_nobody_reads_without_signing_in(visit: Visit, address: str) -> None:
    """Every read but /healthz asks who it is for, as a problem-details answer."""
    answer = visit().get(address)
    assert answer.status_code == 401
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.headers["www-authenticate"] == "Bearer"


@pytest.mark.parametrize("address", READS)
def test_a_keeper_and_a_program_read_everything(keeper: httpx.Client, program: httpx.Client, address: str) -> None:
    """Both kinds of sign-in open every address that reads."""
    assert keeper.get(address).status_code == 200
    assert program.get(address).status_code == 200


@pytest.mark.parametrize(("method", "address", "body"), WRITES)
def test_nobody_writes_without_signing_in(visit: Visit, method: str, address: str, body: object) -> None:
    """Every write asks who it is from."""
    assert visit().request(method, address, json=body).status_code == 401


@pytest.mark.parametrize(("method", "address", "body"), WRITES)
def test_the_neighbour_may_look_and_change_nothing(neighbour: httpx.Client, method: str, address: str, body: object) -> None:
    """A look-only sign-in reads, and is told why it may not write."""
    assert neighbour.get("/api/status").json()["signed_in"] == {"as": "look-only", "may_act": False}
    answer = neighbour.request(method, address, json=body)
    assert answer.status_code == 403
    assert "look" in answer.json()["detail"]


def test_health_is_for_everyone_but_its_parts_are_not(visit: Visit, program: httpx.Client, barn: BarnAtHand) -> None:
    """A watchdog needs no sign-in; what is wrong is told to those who may look."""
    assert visit().get("/healthz").json() == {"healthy": True}
    barn.health = (False, {"broker": "gone"})
    answer = program.get("/healthz")
    assert (answer.status_code, answer.json()) == (503, {"healthy": False, "parts": {"broker": "gone"}})


@pytest.mark.parametrize("token", ["", "wrong", TOKEN[:-1], f"{TOKEN}0", "Küken"])
def test_a_wrong_token_is_nobody(visit: Visit, token: str) -> None:
    """Only the whole token opens, and an empty one never does."""
    client = visit()
    header = (b"Authorization", f"Bearer {token}".strip().encode())
    assert client.get("/api/status", headers=[header]).status_code == 401


def test_an_empty_token_file_lets_nobody_in(barn: BarnAtHand, visit: Visit, tmp_path: Path) -> None:
    """A token file that was made and never filled must not match an empty token."""
    (tmp_path / "token").write_text("\n")
    for given in ("Bearer", "Bearer x"):
        assert visit().get("/api/status", headers={"Authorization": given}).status_code == 401


def test_the_session_cookie_cannot_be_read_by_scripts_nor_sent_by_other_sites(barn: BarnAtHand, visit: Visit) -> None:
    """HttpOnly and SameSite=Strict, and its value is stored nowhere but in the browser."""
    set_password(barn.connections, KEEPER)
    client = visit()
    answer = client.post("/api/sign-in", json={"password": KEEPER})
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    value = client.cookies["warmstraw_session"]
    kept = (folder_of(barn.connections) / "sessions.json").read_text()
    assert value not in kept


def test_what_is_kept_is_private_and_hashed(barn: BarnAtHand, keeper: httpx.Client) -> None:
    """Passwords stand as argon2id hashes in files only the daemon may read."""
    files = [password_path(barn.connections), *folder_of(barn.connections).iterdir()]
    assert {file.name for file in files} == {"passwords.json", "sessions.json", "links.key"}
    for file in files:
        assert stat.S_IMODE(file.stat().st_mode) == 0o600
    hashes = json.loads(files[0].read_text())
    assert hashes["keeper"].startswith("$argon2id$")
    assert KEEPER not in files[0].read_text()


def test_a_session_outlives_a_restart_and_ends_with_its_password(barn: BarnAtHand, keeper: httpx.Client, visit: Visit) -> None:
    """A restart signs nobody out; a new password signs out everybody who used the old one."""
    assert keeper.get("/api/status").status_code == 200
    set_password(barn.connections, "another long word")
    assert keeper.get("/api/status").status_code == 401


def test_a_session_ends_half_a_year_after_its_last_use(barn: BarnAtHand, keeper: httpx.Client) -> None:
    """Use renews it; without use it ends."""
    barn.at += SESSION_S * 0.9
    assert keeper.get("/api/me").json()["signed_in"]
    barn.at += SESSION_S * 0.9
    assert keeper.get("/api/me").json()["signed_in"]
    barn.at += SESSION_S + 10
    assert not keeper.get("/api/me").json()["signed_in"]


def test_signing_out_ends_the_session_on_the_server(keeper: httpx.Client) -> None:
    """The cookie's value is worth nothing afterwards, wherever it was copied to."""
    value = keeper.cookies["warmstraw_session"]
    assert keeper.post("/api/sign-out").status_code == 204
    keeper.cookies.set("warmstraw_session", value)
    assert not keeper.get("/api/me").json()["signed_in"]


def test_wrong_guesses_lock_that_address_out_and_no_other(barn: BarnAtHand, visit: Visit) -> None:
    """After five wrong tries an address waits, longer each time; another address is not made to wait."""
    set_password(barn.connections, KEEPER)
    stranger = visit(at="127.0.0.2")
    for _ in range(GUESSES):
        assert stranger.post("/api/sign-in", json={"password": "guess"}).status_code == 401
    locked = stranger.post("/api/sign-in", json={"password": KEEPER})
    assert locked.status_code == 429
    assert 0 < int(locked.headers["retry-after"]) <= 60
    assert visit(at="127.0.0.3").post("/api/sign-in", json={"password": KEEPER}).status_code == 200
    barn.at += 61
    assert stranger.post("/api/sign-in", json={"password": "guess"}).status_code == 401
    assert int(stranger.post("/api/sign-in", json={"password": "guess"}).headers["retry-after"]) > 60
    barn.at += 121
    assert stranger.post("/api/sign-in", json={"password": KEEPER}).status_code == 200


def test_guessing_from_many_addresses_fills_no_memory() -> None:
    """The table of addresses is bounded, and forgets the oldest."""
    guesses = Guesses()
    for number in range(20_000):
        guesses.was_wrong(f"address {number}", float(number))
    assert len(guesses._wrong) <= 4096


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://elsewhere.example"},
        {"Origin": "null"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_another_sites_page_cannot_act_for_the_keeper(keeper: httpx.Client, headers: dict[str, str]) -> None:
    """A write that a browser sends on behalf of another page is refused, even with the cookie."""
    answer = keeper.put("/api/pens/brooder/fan", json={"running": True, "for_s": 600}, headers=headers)
    assert answer.status_code == 403
    assert "another site's page" in answer.json()["detail"]


def test_our_own_page_may_act(keeper: httpx.Client) -> None:
    """The same write with our own origin goes through."""
    own = str(keeper.base_url).rstrip("/")
    answer = keeper.put(
        "/api/pens/brooder/fan", json={"running": True, "for_s": 600}, headers={"Origin": own, "Sec-Fetch-Site": "same-origin"}
    )
    assert answer.status_code == 200


@pytest.mark.parametrize("password", ["", "short", "x" * 257])
def test_a_password_must_be_worth_the_name(barn: BarnAtHand, password: str) -> None:
    """Too short or too long is refused with the lengths that would do."""
    with pytest.raises(PasswordRefused, match="8 to 256 characters"):
        set_password(barn.connections, password)


def test_the_two_passwords_must_differ(barn: BarnAtHand) -> None:
    """Otherwise the neighbour would come in as the keeper."""
    set_password(barn.connections, KEEPER)
    with pytest.raises(PasswordRefused, match="must differ"):
        set_password(barn.connections, KEEPER, look_only=True)


def test_a_torn_password_file_lets_nobody_in(barn: BarnAtHand) -> None:
    """A file that cannot be read is no password, never any password."""
    set_password(barn.connections, KEEPER)
    path = password_path(barn.connections)
    path.write_bytes(path.read_bytes()[:40])
    passwords = Passwords(path)
    assert not passwords.is_set()
    assert passwords.role_of(KEEPER) is None


def test_the_first_start_says_how_to_set_a_password(visit: Visit) -> None:
    """With no password there is no way in, and the refusal says what to do."""
    client = visit()
    assert client.get("/api/me").json() == {"password_set": False, "signed_in": False, "as": None, "may_act": False}
    for answer in (client.get("/api/status"), client.post("/api/sign-in", json={"password": "anything at all"})):
        assert answer.status_code == 401
        assert "warmstraw password" in answer.json()["detail"]


@pytest.mark.parametrize(("host", "bound"), [("127.0.0.1", "127.0.0.1"), ("0.0.0.0", "127.0.0.1"), ("192.0.2.1", "127.0.0.1")])
def test_without_a_password_the_page_stays_on_the_board(tmp_path: Path, host: str, bound: str) -> None:
    """A first start binds to loopback whatever the settings say, and says so."""
    barn = BarnAtHand(tmp_path, host=host)
    where, sentence = may_bind(barn)
    assert where == bound
    assert ("warmstraw password" in sentence) == (host != bound)
    set_password(barn.connections, KEEPER)
    assert may_bind(barn) == (host, "")
    barn.close()


def test_the_set_up_link_works_once_within_the_hour(barn: BarnAtHand, visit: Visit) -> None:
    """One browser sets the first password by the printed link and is signed in; the link is spent."""
    client = visit()
    token = _set_up_token(client, barn)
    assert client.post("/api/set-up", json={"token": token, "password": "short"}).status_code == 422
    answer = client.post("/api/set-up", json={"token": token, "password": KEEPER})
    assert answer.status_code == 200
    assert client.get("/api/status").json()["signed_in"]["may_act"]
    password_path(barn.connections).unlink()
    assert visit().post("/api/set-up", json={"token": token, "password": "again and again"}).status_code == 403


def test_the_set_up_link_ends(barn: BarnAtHand, visit: Visit) -> None:
    """An hour later it is worth nothing; nor is it once a password stands."""
    client = visit()
    token = _set_up_token(client, barn)
    barn.at += 3601
    assert client.post("/api/set-up", json={"token": token, "password": KEEPER}).status_code == 403
    token = _set_up_token(client, barn)
    set_password(barn.connections, KEEPER)
    assert client.post("/api/set-up", json={"token": token, "password": "a second keeper"}).status_code == 409


def test_the_keeper_changes_passwords_and_the_neighbour_and_programs_do_not(
    barn: BarnAtHand, keeper: httpx.Client, program: httpx.Client, visit: Visit
) -> None:
    """The look-only password is given and taken away by the keeper in person."""
    assert program.put("/api/look-only", json={"password": NEIGHBOUR}).status_code == 403
    assert keeper.put("/api/look-only", json={"password": NEIGHBOUR}).status_code == 204
    neighbour = visit(password=NEIGHBOUR)
    assert neighbour.get("/api/status").status_code == 200
    assert keeper.delete("/api/look-only").status_code == 204
    assert neighbour.get("/api/status").status_code == 401
    assert keeper.put("/api/password", json={"password": "wrong", "new_password": "new and long"}).status_code == 401
    assert keeper.put("/api/password", json={"password": KEEPER, "new_password": "new and long"}).status_code == 200
    assert keeper.get("/api/status").status_code == 200
    assert Passwords(password_path(barn.connections)).role_of("new and long") is Role.KEEPER


# ------------------------------------------------------------------ one tap


def test_looking_at_a_one_tap_link_changes_nothing_and_pressing_it_acknowledges(cold: BarnAtHand, visit: Visit) -> None:
    """Mail scanners fetch every link; only the button acts, once, in the name of the one it was sent to."""
    client = visit()
    path = _one_tap_path(client, cold)
    for _ in range(3):
        page = client.get(path)
        assert page.status_code == 200
        assert "I have it" in page.text
        assert _cold(cold).state == "unacknowledged"
    assert "You have it" in client.post(path).text
    assert (_cold(cold).state, _cold(cold).acknowledged_by) == ("acknowledged", "Mairi")
    for answer in (client.get(path), client.post(path)):
        assert answer.status_code == 410
        assert "was used, or has ended" in answer.text


def test_a_one_tap_link_ends_after_a_day(cold: BarnAtHand, visit: Visit) -> None:
    """An old message in a drawer acknowledges nothing."""
    client = visit()
    path = _one_tap_path(client, cold)
    cold.at += 24 * 3600 + 1
    assert client.post(path).status_code == 410
    assert _cold(cold).state == "unacknowledged"


def test_a_one_tap_link_is_for_one_occurrence(cold: BarnAtHand, visit: Visit) -> None:
    """A link of last night does not silence the alarm of tonight."""
    client = visit()
    path = _one_tap_path(client, cold, occurrence=_cold(cold).occurrence - 1)
    assert "This alarm is over" in client.get(path).text
    assert "This alarm is over" in client.post(path).text
    assert _cold(cold).state == "unacknowledged"


@pytest.mark.parametrize("change", ["flip", "cut", "none", "long"])
def test_a_forged_link_is_nothing(cold: BarnAtHand, visit: Visit, change: str) -> None:
    """One changed letter, a missing half or a novel: gone, and never an error."""
    client = visit()
    path = _one_tap_path(client, cold)
    forged = {
        "flip": path[:-3] + ("A" if path[-3] != "A" else "B") + path[-2:],
        "cut": path.partition(".")[0],
        "none": "/a/x.y",
        "long": "/a/" + "x" * 5000,
    }[change]
    assert client.post(forged).status_code == 410
    assert _cold(cold).state == "unacknowledged"


def test_a_used_link_stays_used_after_a_restart(cold: BarnAtHand, visit: Visit) -> None:
    """What was spent is remembered on the disk."""
    from monitor.api.app import create_app

    client = visit()
    path = _one_tap_path(client, cold)
    client.post(path)
    again = create_app(cold)
    assert again.state.links.read(path.removeprefix("/a/"), cold.at) is None


def _set_up_token(client: httpx.Client, barn: BarnAtHand) -> str:
    link = new_setup_link(_links(barn), str(client.base_url), barn.at)
    return link.partition("#/set-up/")[2]


def _one_tap_path(client: httpx.Client, barn: BarnAtHand, occurrence: int | None = None) -> str:
    chosen = _cold(barn).occurrence if occurrence is None else occurrence
    link = make_link(_links(barn), str(client.base_url), "brooder/birds_cold", chosen, "Mairi", barn.at)
    return link.removeprefix(str(client.base_url).rstrip("/"))


def _links(barn: BarnAtHand):  # type: ignore[no-untyped-def]  # an import of the test alone
    from monitor.api.links import Links

    return Links(folder_of(barn.connections))


def _cold(barn: BarnAtHand):  # type: ignore[no-untyped-def]  # an import of the test alone
    return barn.state().pens["brooder"].alarms["brooder/birds_cold"]


def test_a_burst_of_guesses_counts_as_that_many(barn: BarnAtHand, visit: Visit) -> None:
    """Sent all at the same moment, still no more than five are tried."""
    set_password(barn.connections, KEEPER)
    clients = [visit(at="127.0.0.9") for _ in range(12)]
    with ThreadPoolExecutor(12) as pool:
        answers = list(pool.map(lambda client: client.post("/api/sign-in", json={"password": "guess"}).status_code, clients))
    assert answers.count(401) == GUESSES
    assert answers.count(429) == 12 - GUESSES
