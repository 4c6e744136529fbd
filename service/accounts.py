"""``evenleaf user``: the people who log in, from the command line."""

from __future__ import annotations

import argparse
import getpass
import json
import sys
from typing import Any

from service.clock import parse_clock
from service.opening import open_store
from service.records.store import Store
from service.records.tables import User
from service.settings import Settings, SettingsError
from service.work import users
from service.work.access import SYSTEM
from service.work.errors import WorkError
from service.work.listing import MAX_LIMIT
from service.work.passwords import check_password, hashed

Shown = dict[str, Any]


async def run_user(settings: Settings, args: argparse.Namespace) -> int:
    """Do what ``evenleaf user`` was asked for.

    Raises
    ------
    SettingsError
        If it cannot be done; the message says why.
    """
    async with open_store(settings) as store:
        try:
            shown: list[Shown] = await _ACTIONS[args.action](store, settings, args)
        except WorkError as error:
            raise SettingsError(error.detail) from error
    if args.json:
        print(json.dumps(shown if args.action == "list" else shown[0]))
    else:
        for user in shown:
            farm = "every farm" if user["farmId"] is None else f"farm {user['farmId']}"
            print(
                f"{user['login']:30} {user['role']:7} {farm:12} {'active' if user['active'] else 'disabled'}"
            )
    return 0


async def _add(store: Store, settings: Settings, args: argparse.Namespace) -> list[Shown]:
    values = {"login": args.login, "role": args.role, "farm_id": args.farm}
    if args.display_name:
        values["display_name"] = args.display_name
    new = await users.prepare_user(values, _password())
    async with store.write() as uow:
        return [_shown(await users.create_user(uow, parse_clock(settings.clock), SYSTEM, new))]


async def _passwd(store: Store, settings: Settings, args: argparse.Namespace) -> list[Shown]:
    password = _password()
    async with store.read() as uow:
        user = await users.get_user_by_login(uow, args.login)
    check_password(password, user.login)
    password_hash = await hashed(password)
    async with store.write() as uow:
        user = await users.get_user_by_login(uow, args.login)
        await users.set_password(uow, parse_clock(settings.clock), user, password_hash)
        return [_shown(user)]


async def _switch(store: Store, settings: Settings, args: argparse.Namespace) -> list[Shown]:
    async with store.write() as uow:
        user = await users.get_user_by_login(uow, args.login)
        changes = {"active": args.action == "enable"}
        return [_shown(await users.change_user(uow, parse_clock(settings.clock), SYSTEM, user.id, changes))]


async def _list(store: Store, _settings: Settings, _args: argparse.Namespace) -> list[Shown]:
    shown: list[Shown] = []
    after: int | None = None
    async with store.read() as uow:
        while True:
            rows, after = await users.list_users(uow, SYSTEM, after=after, limit=MAX_LIMIT)
            shown += [_shown(user) for user in rows]
            if after is None:
                return shown


_ACTIONS = {"add": _add, "passwd": _passwd, "disable": _switch, "enable": _switch, "list": _list}


def _shown(user: User) -> Shown:
    return {
        "id": user.id,
        "login": user.login,
        "displayName": user.display_name,
        "role": user.role,
        "farmId": user.farm_id,
        "active": user.active,
    }


def _password() -> str:
    """Ask for a password twice, or read it as a line where nobody sits at a terminal; never an argument."""
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\r\n")
    password = getpass.getpass("Password: ")
    if getpass.getpass("Password again: ") != password:
        raise SettingsError("the password was typed in two ways")
    return password
