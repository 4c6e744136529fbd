"""The ``evenleaf`` command."""

from __future__ import annotations

import argparse
import asyncio
import gc
import json
import logging
import sys
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

from ingest.broker import BrokerError
from service.settings import Settings, SettingsError, load_settings

EXIT_OK, EXIT_FAILED, EXIT_USAGE = 0, 1, 2


def main(argv: Sequence[str] | None = None) -> int:
    """Run a command and return its exit code: 0 done, 1 failed, 2 wrong use or setting."""
    args = _parser().parse_args(argv)
    try:
        settings = load_settings(file=args.config)
        from service.opening import set_up_logging

        set_up_logging(settings.log_level if args.command != "demo" else "ERROR")
        if settings.log_format == "json":
            from service.logs import write_json_lines

            write_json_lines()
        code: int = args.run(args, settings)
    except (SettingsError, BrokerError) as error:  # both name the setting to change
        print(f"evenleaf: {error}", file=sys.stderr)
        return EXIT_USAGE
    except KeyboardInterrupt:
        return EXIT_OK
    except Exception as error:  # a sentence, not a traceback
        logging.getLogger(__name__).debug("failed", exc_info=error)
        print(f"evenleaf: {type(error).__name__}: {error}", file=sys.stderr)
        return EXIT_FAILED
    return code


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="evenleaf",
        description="Keeps the seedings and harvests of a hydroponic leafy-green house even.",
        epilog="Settings are environment variables EVENLEAF_*, or keys of a TOML file (--config). See README.md.",
    )
    parser.add_argument("--config", type=Path, metavar="FILE", help="TOML file with settings")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

    serve = commands.add_parser(
        "serve", help="run the service (with its own store and broker if none are set)"
    )
    serve.set_defaults(run=lambda _args, settings: asyncio.run(_serve(settings)))

    ingest = commands.add_parser("ingest", help="only listen to the broker and store readings")
    ingest.set_defaults(run=lambda _args, settings: asyncio.run(_ingest(settings)))

    migrate = commands.add_parser("migrate", help="bring the database to this version's schema")
    migrate.add_argument(
        "--to",
        metavar="URL",
        help="instead move the SQLite store to this empty PostgreSQL database (stop the service first);"
        " @FILE: a file that holds the URL",
    )
    migrate.add_argument("--json", action="store_true", help="print the result as JSON")
    migrate.set_defaults(run=lambda args, settings: asyncio.run(_migrate(settings, args)))

    backup = commands.add_parser("backup", help="copy the store to a file while it is in use")
    backup.add_argument("file", type=Path, metavar="FILE", help="a file that is not there yet")
    backup.add_argument("--json", action="store_true", help="print the result as JSON")
    backup.set_defaults(run=lambda args, settings: asyncio.run(_backup(settings, args)))

    restore = commands.add_parser("restore", help="make an empty store from such a file")
    restore.add_argument("file", type=Path, metavar="FILE", help="what `evenleaf backup` made")
    restore.add_argument("--json", action="store_true", help="print the result as JSON")
    restore.set_defaults(run=lambda args, settings: asyncio.run(_restore(settings, args)))

    token = commands.add_parser("token", help="make a token; its secret is printed once")
    token.add_argument("name", help="who or what uses it")
    token.add_argument(
        "--scope", action="append", choices=("read", "record", "write", "ingest", "admin"), required=True
    )
    token.add_argument("--farm", type=int, metavar="ID", help="limit it to one farm")
    token.add_argument("--json", action="store_true", help="print the result as JSON")
    token.set_defaults(run=lambda args, settings: asyncio.run(_token(settings, args)))

    _user_parser(commands)

    bring = commands.add_parser("import", help="bring a farm's past from a CSV file")
    bring.add_argument("kind", choices=("readings", "batches", "orders"), help="what the file holds")
    bring.add_argument(
        "file", type=Path, metavar="FILE", help="CSV in UTF-8 with a header; -: standard input"
    )
    bring.add_argument(
        "--house", required=True, metavar="CODE/ID", help="whose it is; of orders, a house of the farm"
    )
    bring.add_argument("--dry-run", action="store_true", help="store nothing; list every fault with its line")
    bring.add_argument("--json", action="store_true", help="print the result as JSON")
    bring.set_defaults(run=lambda args, settings: asyncio.run(_import(settings, args)))

    again = commands.add_parser(
        "replay", help="forecast a house's recorded past as if live, and compare with what happened"
    )
    again.add_argument("--house", required=True, metavar="CODE/ID", help="which house")
    again.add_argument(
        "--from",
        dest="first",
        type=date.fromisoformat,
        metavar="DATE",
        help="only batches seeded from this day on",
    )
    again.add_argument(
        "--to",
        dest="last",
        type=date.fromisoformat,
        metavar="DATE",
        help="only batches seeded up to this day",
    )
    again.add_argument(
        "--follow",
        choices=("advice",),
        help="instead, walk the house with other seedings: every seven days, as advised, and with foresight",
    )
    again.add_argument("--json", action="store_true", help="print the result as JSON")
    again.set_defaults(run=lambda args, settings: asyncio.run(_replay(settings, args)))

    plan = commands.add_parser("plan", help="plan a farm's seedings against its orders; nothing is stored")
    plan.add_argument("--farm", type=int, required=True, metavar="ID", help="which farm")
    plan.add_argument("--weeks", type=int, default=26, metavar="N", help="how far, 1 to 52 (default 26)")
    plan.add_argument("--json", action="store_true", help="print the result as JSON")
    plan.set_defaults(run=lambda args, settings: asyncio.run(_plan(settings, args)))

    demo = commands.add_parser(
        "demo", help="run an invented farm through ten weeks in half a minute, then serve it"
    )
    demo.add_argument("--season", choices=("autumn", "spring"), default="autumn")
    demo.add_argument("--sites", choices=("ample", "tight"), default="ample")
    demo.add_argument("--exit", action="store_true", help="end after printing instead of serving")
    demo.add_argument("--json", action="store_true", help="print one JSON object instead of a table")
    demo.add_argument("--seed", type=int, default=1, metavar="N", help="another run of luck (default 1)")
    demo.add_argument(
        "--seconds", type=float, default=24.0, metavar="S", help="real time for ten weeks (default 24)"
    )
    demo.add_argument(
        "--data", type=Path, metavar="DIR", help="keep the demo's data here (default: a new folder)"
    )
    demo.set_defaults(run=_demo)
    return parser


def _user_parser(commands: Any) -> None:
    user = commands.add_parser("user", help="make, list and change the people who log in")
    actions = user.add_subparsers(dest="action", required=True, metavar="ACTION")
    asks = "the password is asked for, or read as a line from standard input"
    add = actions.add_parser("add", help="make a user", description=f"Make a user; {asks}.")
    add.add_argument("login", help="name or mail address to log in with")
    add.add_argument("--role", choices=("owner", "grower", "crew", "viewer"), required=True)
    add.add_argument("--farm", type=int, metavar="ID", help="limit the user to one farm")
    add.add_argument("--display-name", metavar="NAME", help="name to show (default: as logged in)")
    passwd = actions.add_parser(
        "passwd",
        help="set a password",
        description=f"Set a user's password and log them out everywhere; {asks}.",
    )
    disable = actions.add_parser("disable", help="let a user no longer in")
    enable = actions.add_parser("enable", help="let a disabled user in again")
    for action in (passwd, disable, enable):
        action.add_argument("login", help="name or mail address they log in with")
    listed = actions.add_parser("list", help="list the users")
    for action in (add, passwd, disable, enable, listed):
        action.add_argument("--json", action="store_true", help="print the result as JSON")
    user.set_defaults(run=lambda args, settings: asyncio.run(_user(settings, args)))


async def _serve(settings: Settings) -> int:
    from service.opening import listen_to_signals
    from service.process import running_service

    stop = asyncio.Event()
    listen_to_signals(stop)  # from the start: what is told to end while starting still ends in order
    async with running_service(settings, stop) as service:
        if service.first_token:
            print(f"First token, shown once (all rights): {service.first_token}")
            print(f"Make the first user with it at {service.url}/setup, or by `evenleaf user add`.")
        print(f"Evenleaf serves {service.url} (API pages at {service.url}/docs)", flush=True)
        await stop.wait()
    return EXIT_FAILED if service.failures else EXIT_OK


async def _ingest(settings: Settings) -> int:
    from ingest.broker import running_broker
    from ingest.command import run_ingest
    from ingest.metrics import Tally, telling
    from service.clock import parse_clock
    from service.opening import listen_to_signals, open_store

    stop = asyncio.Event()
    listen_to_signals(stop)
    tally = Tally()
    clock = parse_clock(settings.clock)
    async with (
        open_store(settings) as store,
        running_broker(settings) as broker,
        telling(tally, settings.ingest_metrics_bind, settings.metrics_secret()),
    ):
        gc.freeze()  # what was made by now stays: no full collection goes through it while messages wait
        await run_ingest(store, clock, settings, stop, url=broker.url, mqtt5=broker.mqtt5, tally=tally)
    return EXIT_OK


async def _migrate(settings: Settings, args: argparse.Namespace) -> int:
    from service.opening import open_store
    from service.records.revision import current

    if args.to:
        from service.keeping import run_move

        return await run_move(settings, args.to, as_json=args.json)
    async with open_store(settings, migrate=True) as store:
        revision = await current(store)
    print(json.dumps({"revision": revision}) if args.json else f"The database holds schema {revision}.")
    return EXIT_OK


async def _backup(settings: Settings, args: argparse.Namespace) -> int:
    from service.keeping import run_backup

    return await run_backup(settings, args.file, as_json=args.json)


async def _restore(settings: Settings, args: argparse.Namespace) -> int:
    from service.keeping import run_restore

    return await run_restore(settings, args.file, as_json=args.json)


async def _token(settings: Settings, args: argparse.Namespace) -> int:
    from service.clock import parse_clock
    from service.opening import open_store
    from service.work.access import SYSTEM, create_token
    from service.work.errors import WorkError

    async with open_store(settings) as store, store.write() as uow:
        try:
            token, secret = await create_token(
                uow, parse_clock(settings.clock), SYSTEM, args.name, args.scope, args.farm
            )
        except WorkError as error:
            raise SettingsError(error.detail) from error
    if args.json:
        print(json.dumps({"id": token.id, "name": token.name, "scopes": token.scopes, "secret": secret}))
    else:
        print(f"Token {token.id} for {token.name}, shown once: {secret}")
    return EXIT_OK


async def _user(settings: Settings, args: argparse.Namespace) -> int:
    from service.accounts import run_user

    return await run_user(settings, args)


async def _import(settings: Settings, args: argparse.Namespace) -> int:
    from service.importing import run_import

    return await run_import(
        settings, args.kind, args.file, args.house, dry_run=args.dry_run, as_json=args.json
    )


async def _replay(settings: Settings, args: argparse.Namespace) -> int:
    from service.replaying import run_replay

    return await run_replay(
        settings,
        args.house,
        args.first,
        args.last,
        follow=args.follow == "advice",
        as_json=args.json,
    )


async def _plan(settings: Settings, args: argparse.Namespace) -> int:
    from service.planning import run_plan

    return await run_plan(settings, args.farm, weeks=args.weeks, as_json=args.json)


def _demo(args: argparse.Namespace, settings: Settings) -> int:
    from service.demo import run_demo

    return asyncio.run(
        run_demo(
            settings,
            season=args.season,
            sites=args.sites,
            seed=args.seed,
            seconds=args.seconds,
            folder=args.data,
            as_json=args.json,
            then_exit=args.exit,
        )
    )


if __name__ == "__main__":
    sys.exit(main())
