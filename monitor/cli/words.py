"""The command's words: every subcommand with its options and the help a keeper reads."""

from __future__ import annotations

import argparse

from monitor import __version__
from monitor.engine.events import JOURNAL_WORDS

ABOUT = """\
Watches the warmth and the air of small poultry pens, runs the exhaust fan, and wakes the keeper.

It is never the only safeguard: keep a thermostat of its own on the heat, a smoke alarm you can hear
from the house, and look at the birds.
"""

EXIT_CODES = (
    "exit codes: 0 done; 1 it failed, the last line says why; 2 the settings or the words are wrong; 3 another daemon runs"
)


def words() -> argparse.ArgumentParser:
    """The whole command line."""
    shared = argparse.ArgumentParser(add_help=False)
    shared.add_argument(
        "--settings", metavar="FILE", help="settings file (default: ./warmstraw.toml, then /etc/warmstraw/warmstraw.toml)"
    )
    figures = argparse.ArgumentParser(add_help=False)
    figures.add_argument("--json", action="store_true", help="print JSON instead of text")

    top = argparse.ArgumentParser(
        prog="warmstraw", description=ABOUT, epilog=EXIT_CODES, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    top.add_argument("--version", action="version", version=f"warmstraw {__version__}")
    commands = top.add_subparsers(dest="command", metavar="COMMAND", required=True)

    def add(name: str, help_text: str, *parents: argparse.ArgumentParser, more: str = "") -> argparse.ArgumentParser:
        return commands.add_parser(
            name,
            help=help_text,
            description=help_text[0].upper() + help_text[1:] + "." + ("\n\n" + more if more else ""),
            parents=[shared, *parents],
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )

    add("watch", "run the daemon: readings in, fan switched, alarms raised", more="Stops on Ctrl-C or SIGTERM.")
    check = add("check", "validate the settings and print what they resolve to, with the source of every limit", figures)
    check.add_argument("--facts", action="store_true", help="print every fact the figures rest on, with its source, instead")

    hear = add("hear", "listen to the broker for a while and list what is published, with drafts of [[pen.sensor]]", figures)
    hear.add_argument("--for", dest="for_text", metavar="TIME", default="30 s", help='how long, such as "2 min" (default: 30 s)')
    hear.add_argument("--topic", metavar="FILTER", default="#", help="topics to listen to; + and # as in MQTT (default: all)")

    size = add("size", "the ventilation sheet: is the fan big enough, now and in each coming week", figures)
    size.add_argument("--pen", metavar="NAME", help="one pen only")
    size.add_argument("--picture", metavar="FILE", help="also draw fan, system and adequacy into this SVG file")

    bedding = add("bedding", "each litter period: ammonia, its rise per day, what a change did, days left", figures)
    bedding.add_argument("--pen", metavar="NAME", help="one pen only")

    rehearse = add(
        "rehearse",
        "run stored readings, or a CSV, through the engine under these settings",
        figures,
        more="The relay is taken to obey. Without --readings the store's own readings are used.",
    )
    rehearse.add_argument("--readings", metavar="FILE", help="CSV with the header time,sensor,value ('-' reads standard input)")
    rehearse.add_argument(
        "--decisions", metavar="OUT.jsonl", help="write each decision as a line of JSON ('-' for standard output)"
    )
    _span(rehearse)

    journal = add("journal", "list what the keeper did, or add to it", figures)
    journal.add_argument("--pen", metavar="NAME", help="the pen (may be left out when there is one)")
    journal.add_argument("--add", metavar="WHAT", choices=JOURNAL_WORDS, help="one of: " + ", ".join(JOURNAL_WORDS))
    journal.add_argument("--flock", metavar="NAME", help="for birds in, birds out, deaths, eggs")
    journal.add_argument("--count", metavar="N", type=int, help="how many")
    journal.add_argument("--note", metavar="TEXT", default="", help="free words")
    _span(journal)

    call = add("call", "send a test alarm through every channel and say what arrived where", figures)
    call.add_argument("--person", metavar="NAME", help="one person's channels only")

    export = add("export", "write readings to a CSV or Parquet file")
    export.add_argument(
        "file", metavar="FILE", help="name ending in .parquet for Parquet, any other for CSV, '-' for standard output"
    )
    export.add_argument("--sensor", metavar="PEN/NAME", action="append", help="one sensor only; may be given more than once")
    _span(export)

    take_in = add("take-in", "store readings from a CSV file; bad lines are reported, good ones stored (exit code 1 then)")
    take_in.add_argument("file", metavar="FILE", help="CSV with the header time,sensor,value ('-' reads standard input)")

    backup = add("backup", "a consistent, checked copy of the store, also while the daemon runs", figures)
    backup.add_argument("file", metavar="FILE", help="where to; it gets this name only when it is whole and sound")

    restore = add("restore", "put a backup in the store's place; what was there is kept aside", figures)
    restore.add_argument("file", metavar="FILE", help="the backup; the daemon must not run")

    password = add("password", "set the password of the page (asked for twice, or read from standard input)")
    password.add_argument("--look-only", action="store_true", help="the neighbour's password: may look, may not act")
    return top


def _span(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--from", dest="from_text", metavar="TIME", help="only from this time on, such as 2026-05-01 or 2026-05-01T06:00:00Z"
    )
    parser.add_argument("--to", dest="to_text", metavar="TIME", help="only before this time")
