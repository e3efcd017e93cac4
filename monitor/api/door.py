"""Signing in and out, passwords, and the one-tap page for an alarm."""

from __future__ import annotations

from html import escape
from typing import Annotated

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, JSONResponse, Response
from pydantic import BaseModel, ConfigDict, Field

from monitor.api import acts, status
from monitor.api.barn import Barn
from monitor.api.here import BarnHere, Keeper, LinksHere, SignInHere
from monitor.api.links import Link
from monitor.api.passwords import LONGEST, PasswordRefused, Role, check_length
from monitor.api.problems import Refused
from monitor.api.sign_in import COOKIE, SESSION_S, SignIn, Who, client_address, from_our_own_page
from monitor.engine.alarm_states import OPEN
from monitor.engine.events import Json
from monitor.engine.state import AlarmRecord, AlarmState

door = APIRouter(prefix="/api")
one_tap = APIRouter(include_in_schema=False)

Password = Annotated[str, Field(max_length=LONGEST)]


class PasswordBody(BaseModel):
    model_config = ConfigDict(extra="forbid")
    password: Password


class SetUpBody(PasswordBody):
    token: Annotated[str, Field(max_length=1500)]


class ChangeBody(PasswordBody):
    new_password: Password


@door.get("/me", response_model=None)
def me(request: Request, sign_in: SignInHere) -> dict[str, Json]:
    """Who this browser is signed in as, if at all, and whether a password is set yet."""
    who = sign_in.who(request)
    return {"password_set": sign_in.passwords.is_set(), **_told(who)}


@door.post("/sign-in", response_model=None)
def sign_in_by_password(request: Request, body: PasswordBody, sign_in: SignInHere) -> JSONResponse:
    """The keeper's password may act; the look-only one may look. After five wrong tries an address waits."""
    from_our_own_page(request)
    role, token = sign_in.try_password(request, body.password)
    return _with_cookie(request, role, token)


@door.post("/sign-out", status_code=204)
def sign_out(request: Request, sign_in: SignInHere) -> Response:
    """End this browser's session."""
    from_our_own_page(request)
    who = sign_in.who(request)
    if who is not None and who.session:
        sign_in.sessions.close(who.session)
    response = Response(status_code=204)
    response.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict")
    return response


@door.post("/set-up", response_model=None)
def set_up(request: Request, body: SetUpBody, barn: BarnHere, sign_in: SignInHere, links: LinksHere) -> JSONResponse:
    """Set the keeper's password by the one-time link that the console printed, and sign in."""
    from_our_own_page(request)
    at = barn.now()[0]
    link = links.read(body.token, at)
    if link is None or link.purpose != "set up":
        raise Refused(403, "this link was used or has ended; restart the daemon or run `warmstraw password` on the board")
    if sign_in.passwords.is_set():
        raise Refused(409, "a password is set already; change it on the page, or with `warmstraw password` on the board")
    _long_enough(body.password)
    if not links.spend(link, at):
        raise Refused(403, "this link was used a moment ago")
    with sign_in.hashing:
        _set(sign_in, body.password, Role.KEEPER)
    token = sign_in.sessions.open(Role.KEEPER, sign_in.passwords.mark(Role.KEEPER), at)
    return _with_cookie(request, Role.KEEPER, token)


@door.put("/password", response_model=None)
def change_password(request: Request, body: ChangeBody, _: Keeper, sign_in: SignInHere) -> JSONResponse:
    """Change the keeper's password; every other browser is signed out."""
    role, _token = sign_in.try_password(request, body.password)
    if role is not Role.KEEPER:
        sign_in.guesses.was_wrong(client_address(request), sign_in.now_at())
        raise Refused(403, "that is not the keeper's password")
    with sign_in.hashing:
        _set(sign_in, body.new_password, Role.KEEPER)
    token = sign_in.sessions.open(Role.KEEPER, sign_in.passwords.mark(Role.KEEPER), sign_in.now_at())
    return _with_cookie(request, Role.KEEPER, token)


@door.put("/look-only", status_code=204)
def set_look_only(body: PasswordBody, _: Keeper, sign_in: SignInHere) -> None:
    """Give the neighbour a password that may look and change nothing."""
    with sign_in.hashing:
        _set(sign_in, body.password, Role.LOOK_ONLY)


@door.delete("/look-only", status_code=204)
def remove_look_only(_: Keeper, sign_in: SignInHere) -> None:
    """Take the look-only sign-in away; those signed in by it are out at once."""
    sign_in.passwords.remove(Role.LOOK_ONLY)


def _long_enough(password: str) -> None:
    try:
        check_length(password)
    except PasswordRefused as error:
        raise Refused(422, str(error)) from error


def _set(sign_in: SignIn, password: str, role: Role) -> None:
    try:
        sign_in.passwords.set(password, role)
    except PasswordRefused as error:
        raise Refused(422, str(error)) from error
    except OSError as error:
        raise Refused(503, f"the password could not be written to {sign_in.passwords.path}: {error.strerror}") from error


def _told(who: Who | None) -> dict[str, Json]:
    if who is None:
        return {"signed_in": False, "as": None, "may_act": False}
    return {"signed_in": True, "as": who.name, "may_act": who.role.may_act}


def _with_cookie(request: Request, role: Role, token: str) -> JSONResponse:
    response = JSONResponse({"password_set": True, **_told(Who(role))})
    response.set_cookie(
        COOKIE,
        token,
        max_age=int(SESSION_S),
        path="/",
        httponly=True,
        samesite="strict",
        secure=request.url.scheme == "https",  # a barn's own network often has no certificate; then it cannot be set
    )
    return response


# ------------------------------------------------------------------ one tap


@one_tap.get("/a/{token}")
def look_at_link(token: str, barn: BarnHere, links: LinksHere) -> HTMLResponse:
    """Show the alarm and one big button. Looking changes nothing, for mail scanners look at every link."""
    at, _ = barn.now()
    link = links.read(token, at)
    if link is None or link.purpose != "acknowledge":
        return _gone()
    record = status.find_alarm(barn.state(), link.alarm)
    if record is None or record.occurrence != link.occurrence or record.state not in OPEN:
        return _page("This alarm is over.", _open_page_link(), 200)
    told = status.alarm(record, barn.specification, barn.now())
    title, body = escape(str(told["title"])), escape(str(told["body"]))
    steps = told["steps"] if isinstance(told["steps"], list) else []
    listed = "".join(f"<li>{escape(str(step))}</li>" for step in steps)
    if record.state is AlarmState.ACKNOWLEDGED:
        return _page(title, f"<p>{body}</p><p>{escape(record.acknowledged_by)} has it already.</p>{_open_page_link()}", 200)
    return _page(
        title,
        f'<p>{body}</p><ol class="first-steps">{listed}</ol>'
        f'<form method="post" action="/a/{escape(token)}"><button class="big">I have it</button></form>'
        "<p>The messages stop. The trouble does not: go and look.</p>",
        200,
    )


@one_tap.post("/a/{token}")
def use_link(token: str, barn: BarnHere, links: LinksHere) -> HTMLResponse:
    """Acknowledge, once. The token itself is the right to do so; no sign-in is asked at three in the morning."""
    at, _ = barn.now()
    link = links.read(token, at)
    if link is None or link.purpose != "acknowledge" or not links.spend(link, at):
        return _gone()
    return _acknowledged(barn, link)


def _acknowledged(barn: Barn, link: Link) -> HTMLResponse:
    record: AlarmRecord | None = status.find_alarm(barn.state(), link.alarm)
    if record is None or record.occurrence != link.occurrence or record.state not in OPEN:
        return _page("This alarm is over.", _open_page_link(), 200)
    after = acts.acknowledge(barn, record, link.person or "one-tap link")
    title = escape(str(status.alarm(after, barn.specification, barn.now())["title"]))
    return _page("You have it.", f"<p>{title}</p><p>The messages stop. Go and look.</p>{_open_page_link()}", 200)


def _gone() -> HTMLResponse:
    return _page("This link was used, or has ended.", _open_page_link(), 410)


def _open_page_link() -> str:
    return '<p><a class="big" href="/">Open the page</a></p>'


def _page(heading: str, content: str, code: int) -> HTMLResponse:
    return HTMLResponse(
        '<!doctype html><html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width">'
        '<meta name="robots" content="noindex"><title>Warmstraw</title><link rel="stylesheet" href="/page/style.css">'
        f'<body class="one-tap"><main><h1>{heading}</h1>{content}</main></body></html>',
        status_code=code,
    )
