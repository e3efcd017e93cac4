"""What every route asks for: the barn, and who is asking."""

from __future__ import annotations

from typing import Annotated, cast

from fastapi import Depends, Request

from monitor.api.barn import Barn
from monitor.api.links import Links
from monitor.api.sign_in import SignIn, Who


def barn_of(request: Request) -> Barn:
    return cast(Barn, request.app.state.barn)


def sign_in_of(request: Request) -> SignIn:
    return cast(SignIn, request.app.state.sign_in)


def links_of(request: Request) -> Links:
    return cast(Links, request.app.state.links)


def _looks(request: Request) -> Who:
    return sign_in_of(request).reader(request)


def _acts(request: Request) -> Who:
    return sign_in_of(request).actor(request)


def _keeps(request: Request) -> Who:
    return sign_in_of(request).keeper(request)


BarnHere = Annotated[Barn, Depends(barn_of)]
SignInHere = Annotated[SignIn, Depends(sign_in_of)]
LinksHere = Annotated[Links, Depends(links_of)]
Looker = Annotated[Who, Depends(_looks)]
Actor = Annotated[Who, Depends(_acts)]
Keeper = Annotated[Who, Depends(_keeps)]
