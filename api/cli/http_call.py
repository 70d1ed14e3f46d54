"""Requests of a command to the running planner, with the token of its state folder."""

from __future__ import annotations

import argparse
import json
import os
import ssl
import stat
import urllib.error
import urllib.request
from http.client import HTTPException, InvalidURL
from pathlib import Path
from typing import Any

from gloaming.api.cli.run import NO_PAGE
from gloaming.api.cli.where import BOARD_STATE, site_of, state_folder
from gloaming.shows.config_files.errors import ConfigError, InputError

TIMEOUT_S = 10
START = "is it running? gloaming run SITE starts it"
NO_CHECK_TIME = ssl.VerifyFlags(0x200000)
"""X509_V_FLAG_NO_CHECK_TIME (openssl/x509_vfy.h; X509_VERIFY_PARAM_set_flags(3)), for which Python has no name."""


class NoAnswerError(InputError):
    """No planner answers, or none has run here yet."""


def call(args: argparse.Namespace, method: str, path: str, body: dict[str, object] | None = None) -> tuple[int, Any]:
    """One request; the status and the answer. NoAnswerError; InputError where the token is not known."""
    code, content = _request(args, method, path, body, "application/json")
    return code, json.loads(content)


def call_for(args: argparse.Namespace, path: str, kind: str) -> bytes:
    """The content at a path, of the media type `kind`. InputError where it is refused."""
    code, answer = _request(args, "GET", path, None, kind)
    if code != 200:
        raise InputError(ConfigError(args.url or "the planner", None, None, str(json.loads(answer)["detail"])))
    return answer


def _request(
    args: argparse.Namespace, method: str, path: str, body: dict[str, object] | None, kind: str
) -> tuple[int, bytes]:
    state = _state(args)
    url = (args.url or _address(state)).rstrip("/")
    token = _token(args.token_file or state / "token")
    data = None if body is None else json.dumps(body).encode()
    try:
        request = urllib.request.Request(f"{url}{path}", data, method=method)
        request.add_header("Authorization", f"Bearer {token}")
        request.add_header("Content-Type", "application/json")
        request.add_header("Accept", kind)
        opener = direct_opener(None if args.url else _own_certificate(state))
        with opener.open(request, timeout=TIMEOUT_S) as answer:
            if answer.headers.get_content_type() != kind:
                raise InputError(ConfigError(url, None, None, "something else than Gloaming answers there"))
            return answer.status, answer.read()
    except urllib.error.HTTPError as error:
        if error.code == 401:
            raise InputError(ConfigError(url, None, None, "the token is not known there", "sign in again")) from None
        if error.headers.get_content_type() != "application/problem+json":
            raise InputError(
                ConfigError(url, None, None, f"something else than Gloaming answers there ({error.code})")
            ) from None
        return error.code, error.read()
    except (InvalidURL, ValueError):
        raise InputError(ConfigError("--url", None, None, f"{url!r} is no address", "as http://board:8080")) from None
    except (OSError, HTTPException) as error:
        reason = getattr(error, "reason", error)
        raise NoAnswerError(ConfigError(url, None, None, f"Gloaming does not answer ({reason})", START)) from None


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    """Follows no redirect, so that the token goes only to the planner."""

    def redirect_request(self, *_: Any) -> None:
        return None


def direct_opener(trusted: ssl.SSLContext | None = None) -> urllib.request.OpenerDirector:
    """An opener that uses no proxy and follows no redirect: neither may get the token."""
    proxies, secure = urllib.request.ProxyHandler({}), urllib.request.HTTPSHandler(context=trusted)
    return urllib.request.build_opener(proxies, secure, _NoRedirect)


def _state(args: argparse.Namespace) -> Path:
    """The state folder of a call. InputError where it needs one, and there is no site."""
    if args.state or (args.url and args.token_file):
        return Path(args.state or "").absolute()
    state = state_folder(site_of(args), None)
    if state != BOARD_STATE:
        _refuse_foreign(state)
    return state


def _refuse_foreign(state: Path) -> None:
    """Refuse a state folder that the caller did not name, unless it is the caller's or root's: tokens and passcodes go
    to the address in it. InputError."""
    if not state.exists():
        return  # the reader of its files reports that
    found = state.stat()
    if found.st_uid not in (os.geteuid(), 0) or found.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
        problem = "this folder belongs to somebody else, or others can write to it"
        raise InputError(ConfigError(state, None, None, problem, "if you trust it, name it: --state DIR"))


def _address(state: Path) -> str:
    """The address of the planner on this machine. InputError where its page cannot be reached."""
    if (state / NO_PAGE).exists():
        problem = f"the show goes on, but commands cannot reach it: {_read(state / NO_PAGE, '')}"
        hint = "correct that; Gloaming tries again every few seconds"
        raise InputError(ConfigError("no page", None, None, problem, hint))
    return _read(state / "address", START)


def _own_certificate(state: Path) -> ssl.SSLContext | None:
    """Trust in exactly the certificate of the planner on this machine, whatever its name and dates."""
    path = state / "certificate"
    if not path.exists():
        return None
    context = ssl.create_default_context(cafile=str(path))
    context.check_hostname = False
    context.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN | NO_CHECK_TIME
    return context


def _token(path: Path) -> str:
    hint = "name a file with a token: --token-file FILE"
    token = _read(path, hint)
    if not token.isascii() or len(token.split()) != 1:
        raise InputError(ConfigError(path, None, None, "there is no token in it", hint))
    return token


def _read(path: Path, hint: str) -> str:
    try:
        return path.read_text(errors="replace").strip()
    except OSError as error:
        hint = "call it as root, or as the user that runs Gloaming" if isinstance(error, PermissionError) else hint
        error_kind = NoAnswerError if isinstance(error, FileNotFoundError) else InputError
        raise error_kind(ConfigError(path, None, None, error.strerror or str(error), hint)) from None
