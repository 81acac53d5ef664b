"""In: a command line. Out: files, lines on the screen and an exit code. Thin: every command is one call of the library.

Exit codes: 0 done, 1 a review found violations, 2 bad input. Heavy modules are loaded by the command that needs them,
so that ``tussock --help`` stays fast.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from tussock import __version__
from tussock.base.errors import InputError, TussockError, WrittenError
from tussock.base.sources import OUTSIDE_OPTION

#: Commands that may have written a part of their files when they are stopped.
_WRITERS = {"export", "example", "history", "approve", "make-key"}
_CONTEXT = {"help_option_names": ["-h", "--help"], "max_content_width": 100}


def main() -> None:
    """Run the command line and turn errors made on purpose into one or two lines and exit code 2."""
    try:
        stopped = tussock.main(prog_name="tussock", standalone_mode=False)
        sys.exit(stopped if isinstance(stopped, int) else 0)  # click hands an exit code back and does not raise it
    except click.ClickException as error:
        error.show()
        sys.exit(2)
    except click.Abort as error:
        click.echo(_describe_stop(error.__cause__, sys.argv[1:2]), err=True)
        sys.exit(2)
    except TussockError as error:
        click.echo(describe_error(error, of_site="plan" in sys.argv[1:2]), err=True)
        sys.exit(2)


def _describe_stop(cause: BaseException | None, command: list[str]) -> str:
    """Say what a run that was stopped by hand left behind, and no more than is known."""
    if isinstance(cause, WrittenError):
        return str(cause)
    return "stopped" if set(command) & _WRITERS else "stopped; nothing was changed"


def describe_error(error: TussockError, *, of_site: bool = True) -> str:
    """Return an error in one line, or two where there is more than one fault; `inspect` lists those of a site."""
    if isinstance(error, InputError):
        first, *others = error.faults
        text = f"tussock: {_one_line(str(first))}"
        if others:
            where = ", ".join(dict.fromkeys(fault.what for fault in others[:5]))
            text += f"\nand {len(others)} more: {_one_line(where)}" + (", ..." if len(others) > 5 else "")  # noqa: PLR2004
            text += "; `tussock inspect` lists them all" if of_site else ""
        return text
    return f"tussock: {_one_line(str(error))}"


def _one_line(text: str) -> str:
    return " ".join(text.split())


@click.group(context_settings=_CONTEXT)
@click.version_option(__version__, prog_name="tussock")
def tussock() -> None:
    """Plan invasive-plant treatments from drawn patches: setbacks, doses, budgets, maps.

    The label on the container is the law; a plan never widens it.
    """


def _teller(quiet: bool) -> Callable[[str], None]:
    """Return what progress lines are handed to."""

    def tell(line: str) -> None:
        if not quiet:
            click.echo(f"  {line}", err=True)

    return tell


_OUTSIDE = click.option(
    OUTSIDE_OPTION, "allow_outside", is_flag=True, help="Read layers outside the folder of the site file too."
)


@tussock.command(name="plan", short_help="Plan a site file and write the plan into a folder.")
@click.argument("site", type=click.Path(path_type=Path))
@click.option("--out", "folder", type=click.Path(path_type=Path), required=True, help="Folder to write the plan into.")
@click.option(
    "--partition-size", type=click.IntRange(min=1), help="Most patches to cut together; the plan is the same."
)
@click.option("--scheduler", metavar="ADDRESS", help="Cut on a dask scheduler, such as tcp://host:8786.")
@_OUTSIDE
@click.option("--quiet", is_flag=True, help="Say nothing but errors.")
def plan_command(
    site: Path, folder: Path, partition_size: int | None, scheduler: str | None, allow_outside: bool, quiet: bool
) -> None:
    """Plan SITE (a site file, TOML) and write the plan into a folder."""
    from tussock.deliver import check_folder
    from tussock.plan import make_plan
    from tussock.read import add_approval, read_site

    tell = _teller(quiet)
    check_folder(folder)
    tell(f"reading {site}")
    read = add_approval(read_site(site, allow_outside=allow_outside), folder)
    plan = make_plan(read, tell, partition_size=partition_size, scheduler=scheduler)
    plan.write(folder, tell)
    try:
        if not quiet:
            click.echo(_summarise(plan, folder))
    except KeyboardInterrupt as error:
        raise WrittenError(folder) from error


def _summarise(plan: Any, folder: Path) -> str:
    from tussock.base.approval import say_approved
    from tussock.base.text import show_count
    from tussock.wording.outlines import name_set_aside

    season = plan.season.set_index("item")
    warnings = plan.findings[plan.findings["level"] == "warning"]
    lines = [f"{plan.site.name}, season {plan.site.season}"]
    for item in (
        "patches",
        "treatment units",
        "units without an option",
        "gross area of all patches",
        "infested area with a treatment",
        "spray volume",
        "acid equivalent",
        "crew time",
        "cost",
    ):
        row = season.loc[item]
        if row["likely"] == row["likely"]:
            unit = "" if row["unit"] == "count" else f" {row['unit']}"
            number = f"{row['likely']:.0f}" if row["unit"] == "count" else f"{row['likely']:,.2f}"
            lines.append(f"  {item:<34}{number:>12}{unit}")
    aside = name_set_aside(plan.patches)
    if aside:
        lines.append(f"  {aside}")
    if plan.site.approval is not None:
        states = plan.patches["approval"].value_counts()
        lines.append(
            "  " + ", ".join(f"{show_count(count, 'patch')} {state}" for state, count in sorted(states.items()))
        )
        lines.append(f"  the approval {say_approved(plan.site.approval)}")
    lines.append(f"  {len(warnings)} warnings: see run.json, or `tussock inspect`")
    lines.append(f"written to {folder}")
    lines.append("The label is the law. Not ready for field use until a qualified person has filled the blanks.")
    return "\n".join(lines)


@tussock.command(name="review", short_help="Review a written plan, and what was done by it.")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--site", type=click.Path(path_type=Path), help="Site file to compare the inputs with.")
@click.option("--trusted-key", type=click.Path(path_type=Path), help="Public key of the approver (PEM).")
@click.option("--treated", type=click.Path(path_type=Path), help="Treated ground from the field: polygons or tracks.")
@click.option("--treated-layer", help="Its layer, where it holds several.")
@click.option("--accuracy", help='Positional error of that file, such as "3 m", where no column states it.')
@click.option("--swath", help='Width that its lines were treated in, such as "20 ft".')
@click.option("--records", type=click.Path(path_type=Path), help="A filled copy of record.csv.")
@click.option("--date-format", default=None, help='How its dates are written, such as "%m/%d/%Y".')
@_OUTSIDE
@click.option("--quiet", is_flag=True, help="Say nothing but violations.")
def review_command(folder: Path, site: Path | None, quiet: bool, **brought: Any) -> None:
    """Review the plan in FOLDER on its own path; exit code 1 where something does not hold.

    With --treated and --records what was done is compared with what was planned.
    """
    from tussock.plan import review_plan

    findings = review_plan(folder, site, **brought)
    row: Any
    for row in findings.itertuples():
        if row.level == "violation" or not quiet:
            shown = "; ".join(
                part
                for part in (
                    str(row.where),
                    f"found {row.found}" if row.found else "",
                    f"expected {row.expected}" if row.expected else "",
                    str(row.note),
                )
                if part
            )
            click.echo(f"{row.level}: {row.check}: {_one_line(shown)}")
    violations = int((findings["level"] == "violation").sum())
    if violations:
        click.echo(f"{violations} violation{'s' if violations > 1 else ''} found: see the lines above", err=True)
        raise click.exceptions.Exit(1)
    if not quiet:
        click.echo("no violation found: meets the loaded rules as mapped, in the checks listed above")


@tussock.command(name="approve", short_help="Approve a written plan: what, by whom, when.")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--by", "approved_by", required=True, help="Name of the person who approves.")
@click.option("--office", default="", help="Office held, or agency.")
@click.option("--date", required=True, help='Day of the approval, "YYYY-MM-DD", or "today".')
@click.option("--key", type=click.Path(path_type=Path), help="Private key to sign with (PEM, Ed25519).")
@click.option("--ask-passphrase", is_flag=True, help="Ask for the passphrase of the key.")
@click.option("--replace", is_flag=True, help="Replace an approval that is there already.")
@click.option("--despite-violations", is_flag=True, help="Approve although the review finds violations.")
def approve_command(folder: Path, date: str, ask_passphrase: bool, **signed: Any) -> None:
    """Approve the plan in FOLDER: write approval.json, a fingerprint of every patch and rule set."""
    import datetime as dt

    from tussock.base.approval import NOT_SIGNED
    from tussock.plan import approve_plan

    day = dt.datetime.now().astimezone().date().isoformat() if date == "today" else date
    passphrase = click.prompt("Passphrase of the key", hide_input=True, err=True) if ask_passphrase else None
    path = approve_plan(folder, date=day, passphrase=passphrase, **signed)
    click.echo(f"written to {path}")
    if signed["key"] is None:
        click.echo(f"{NOT_SIGNED}; sign with --key where that matters")


@tussock.command(name="make-key", short_help="Make a key to sign approvals with.")
@click.argument("path", type=click.Path(path_type=Path))
@click.option("--ask-passphrase", is_flag=True, help="Ask for a passphrase to lock the key with.")
def make_key_command(path: Path, ask_passphrase: bool) -> None:
    """Make a key to sign approvals with: PATH stays with the approver, PATH with .pub.pem goes to the readers."""
    from tussock.base.signing import make_key

    passphrase = None
    if ask_passphrase:
        passphrase = click.prompt("Passphrase", hide_input=True, confirmation_prompt=True, err=True)
    mark = make_key(path, passphrase)
    click.echo(f"written to {path} and {path.with_suffix('.pub.pem')}; fingerprint {mark}")


@tussock.command(name="history", short_help="Write what was applied as a layer of earlier work.")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--records", type=click.Path(path_type=Path), required=True, help="A filled copy of record.csv.")
@click.option("--out", type=click.Path(path_type=Path), required=True, help="GeoPackage to write.")
@click.option("--date-format", default=None, help='How its dates are written, such as "%m/%d/%Y".')
@click.option("--accept-low-rates", is_flag=True, help="Take rates far under the planned ones as they stand.")
def history_command(folder: Path, records: Path, out: Path, date_format: str | None, accept_low_rates: bool) -> None:
    """Write what was applied as a layer of earlier work, for [layers.history] of the next plan."""
    from tussock.review.records_history import write_history

    count = write_history(folder, records, out, date_format, accept_low_rates=accept_low_rates)
    click.echo(f"{count} applications written to {out}; name it under [layers.history] of the next site file")


@tussock.command(name="export", short_help="Export a written plan to the formats of other programs.")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--format",
    "formats",
    multiple=True,
    required=True,
    help="geoparquet, geojson, kml, gpx or shapefile; give it again for several.",
)
@click.option("--out", type=click.Path(path_type=Path), required=True, help="Folder to write the files into.")
@click.option("--replace", is_flag=True, help="Replace files of the same name.")
def export_command(folder: Path, formats: tuple[str, ...], out: Path, replace: bool) -> None:
    """Export the plan in FOLDER to the formats of other programs."""
    from tussock.deliver import export_folder

    files = export_folder(folder, formats, out, replace=replace)
    click.echo(f"written to {out}: {', '.join(path.name for path in files)}")


@tussock.command(name="compare", short_help="Compare two written plans, patch by patch.")
@click.argument("plan_a", type=click.Path(path_type=Path))
@click.argument("plan_b", type=click.Path(path_type=Path))
def compare_command(plan_a: Path, plan_b: Path) -> None:
    """Compare two written plans: what PLAN_B changes in rules, ground, hours and cost, patch by patch."""
    from tussock.budget.compare import compare_plans, list_lines

    for line in list_lines(compare_plans(plan_a, plan_b)):
        click.echo(line)


@tussock.command(name="inspect", short_help="Say what the layers of a site hold and what is wrong.")
@click.argument("site", type=click.Path(path_type=Path))
@_OUTSIDE
def inspect_command(site: Path, allow_outside: bool) -> None:
    """Say what the layers of SITE hold, and what is wrong with them."""
    from tussock.plan import inspect_site

    try:
        read, repaired, measured = inspect_site(site, allow_outside=allow_outside)
    except InputError as error:
        for fault in error.faults:
            click.echo(f"tussock: {_one_line(str(fault))}", err=True)
        raise click.exceptions.Exit(2) from error
    click.echo(f"{read.name}, season {read.season}")
    for name, layer in read.layers.items():
        frame = layer.frame
        kinds = ", ".join(f"{count} {kind}" for kind, count in frame.geometry.geom_type.value_counts().items())
        accuracy = "not stated" if layer.accuracy_m is None else f"{layer.accuracy_m:g} m"
        click.echo(f"  {name}: {layer.path} {layer.file_layer}, {kinds or 'no rows'}; accuracy {accuracy}")
        click.echo(f"    CRS {frame.crs.name}; columns {', '.join(str(c) for c in frame.columns if c != 'geometry')}")
    for ruleset in read.rulesets:
        click.echo(f"  rules: {ruleset.title}, {ruleset.ruleset.status}, {len(ruleset.setback)} setbacks")
    _list_kinds(read, repaired)
    click.echo(f"  products: {', '.join(read.products) or 'none'}")
    click.echo(f"  treatments: {len(read.treatments or ())}; operations: {'yes' if read.operations else 'none'}")
    area_m2 = float(measured.patches["area_m2"].sum())
    click.echo(f"  area of all patches: {area_m2 / 4046.8564224:.2f} acre ({area_m2 / 1e4:.2f} ha)")
    _list_findings([read.findings, repaired.findings, measured.findings])


def _list_kinds(read: Any, repaired: Any) -> None:
    """List the kinds of water and receptors with the rules that run from them."""
    from tussock.base.kinds import NO_RULE, list_kinds, speaks_of_water

    if not speaks_of_water(read.rulesets, repaired.layers["water"].frame["kind"]):
        click.echo("  NO LOADED RULE SPEAKS OF WATER: no herbicide is planned")
    table = list_kinds({name: layer.frame for name, layer in repaired.layers.items()}, read.rulesets)
    for _, rows in table.groupby(["layer", "kind_given", "kind"], sort=False):
        first = rows.to_dict("records")[0]
        taken = "" if first["kind_given"] == first["kind"] else f', taken as "{first["kind"]}"'
        ruled: Any = rows[rows["setback_id"] != ""].itertuples()
        runs = ", ".join(f"{row.setback_id} ({row.effect}, {row.named_by})" for row in ruled)
        bare = f"; {first['unnamed_count']} WITHOUT A RULE: no herbicide near" if first["state"] == NO_RULE else ""
        about = f'{first["layer"]} "{first["kind_given"]}"{taken}, {first["feature_count"]} mapped'
        click.echo(f"  kind of {about}: {runs or first['state']}{bare}")


def _list_findings(tables: list[Any]) -> None:
    from tussock.base.findings import join_findings

    row: Any
    for row in join_findings(tables).itertuples():
        areas = ""
        if not math.isnan(row.area_before_m2) and row.layer == "infestations":
            areas = f" (area {row.area_before_m2:.1f} m2 before, {row.area_after_m2:.1f} m2 after)"
        click.echo(f"  {row.level}: {row.layer}, {row.row}: {_one_line(str(row.what))}: {row.done}{areas}")


@tussock.command(name="example", short_help="Write the sample site (all invented) into a folder.")
@click.argument("folder", type=click.Path(path_type=Path))
def example_command(folder: Path) -> None:
    """Write the sample site (all invented) into FOLDER."""
    from tussock.base.sample import write_sample

    site = write_sample(folder)
    click.echo(f"written to {folder}; now: tussock plan {site} --out {folder / 'plan'}")


class _Worksheets(click.Group):
    """The calibration tasks, made from the worksheets of the trade when they are asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002  (the signature is click's)
        from tussock.trade.worksheets import WORKSHEETS

        return list(WORKSHEETS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        from tussock.trade.worksheets import WORKSHEETS

        spec = WORKSHEETS.get(cmd_name)
        return None if spec is None else _make_worksheet(spec)


def _make_worksheet(spec: Any) -> click.Command:
    """Return the command of one worksheet."""

    def fill(metric: bool, **given: Any) -> None:
        options = {name.replace("_", "-"): list(v) if isinstance(v, tuple) else v for name, v in given.items()}
        sheet = spec.fill(options, "metric" if metric else "us")
        click.echo(str(sheet))

    parameters: list[click.Parameter] = [
        click.Option(
            [f"--{option.name}", option.name.replace("-", "_")],
            help=f'{option.help}, such as "{option.example}"' + (" (needed)" if option.required else ""),
            multiple=option.multiple,
            metavar="TEXT",
        )
        for option in spec.options
    ]
    parameters.append(click.Option(["--metric"], is_flag=True, help="Results in metric units."))
    return click.Command(spec.name, callback=fill, params=parameters, help=spec.help, short_help=spec.title)


@tussock.group(name="calibrate", cls=_Worksheets, short_help="Work out volume, speed, mixes, loads and doses.")
def calibrate_command() -> None:
    """Work out spray volume, speed, timing, mixes, loads and doses, with the working in one line."""
