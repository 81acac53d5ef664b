"""In: a site. Out: a treatment plan. The spine: the only place where the stages meet, one line each, in order."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from tussock import budget, deliver, prescribe, repair, reproject, review, zone
from tussock import read as reading
from tussock.base import columns as c
from tussock.base import showing
from tussock.base.findings import join_findings
from tussock.base.marks import mark_patches
from tussock.base.stages import (
    Budgeted,
    Measured,
    PlanTables,
    Prescribed,
    Repaired,
    Site,
    Zoned,
)

if TYPE_CHECKING:
    import folium
    import pandas as pd

    from tussock.base.approval import Approval
    from tussock.deliver.charts import Chart
    from tussock.deliver.patch_view import PatchView

Tell = Callable[[str], None]


@dataclass(frozen=True)
class Plan(PlanTables):
    """A treatment plan: its tables, its map, and the folder it writes.

    Attributes
    ----------
    patches, units
        GeoDataFrames in the CRS of the infestation layer, columns as in ``plan.gpkg``, one row for each patch or unit.
    options
        One row for each unit and candidate treatment, with its verdict and the reason.
    compliance
        One row for each unit and setback, with required and achieved distance.
    product_budget, season
        Totals by product, and for the season with low, likely and high.
    findings
        What was noticed and done on the way, with areas before and after each repair.
    """

    @property
    def budget(self) -> pd.DataFrame:
        """Season totals: ``item, low, likely, high, unit``."""
        return self.season

    def map(self, *, public: bool = False, base: str | Path | None = None) -> folium.Map:
        """Return the map of the plan; it needs no network.

        Parameters
        ----------
        public
            Leave protected receptors out, and every edge and figure that would give their place away.
        base
            A GeoTIFF or MBTiles file to show underneath; it is taken into the page.
        """
        return deliver.draw_map(self, public=public, base=None if base is None else Path(base))

    def look_at(self, patch_id: str) -> PatchView:
        """Return all that the plan says about one patch; a notebook shows its map and its units.

        Parameters
        ----------
        patch_id
            Id of the patch, as the mapper gave it.

        Returns
        -------
        PatchView
            Its rows as ``patch``, ``units``, ``options`` and ``compliance``, and its ``map``.

        Raises
        ------
        InputError
            The plan has no such patch; those of a similar name are listed.
        """
        return deliver.view_patch(self, patch_id)

    def chart(self, name: str) -> Chart:
        """Draw a chart: ``"hours"`` by week, ``"products"`` by patch, the ``"budget"`` range, the ``"cut_line"``.

        Parameters
        ----------
        name
            One of the four.

        Returns
        -------
        Chart
            A notebook shows it; ``save`` writes it as SVG or PNG, ``table`` has its figures, ``alt`` says it in words.

        Raises
        ------
        InputError
            No chart has that name, or the plan has nothing to draw for it.
        MissingExtraError
            The package matplotlib is not installed.
        """
        return deliver.draw_chart(self, name)

    def write(self, folder: str | Path, tell: Tell | None = None) -> Path:
        """Write the plan into a folder: all of it, or nothing.

        Parameters
        ----------
        folder
            Made if it is not there. An earlier plan in it is replaced only once the new one is complete.
        tell
            Called with a line for each step.

        Returns
        -------
        Path
            The folder.

        Raises
        ------
        OutputError
            The folder cannot be written.
        """
        return deliver.deliver_plan(self, Path(folder), tell or _say_nothing)

    def export(self, folder: str | Path, formats: str | Sequence[str], *, replace: bool = False) -> list[Path]:
        """Export the plan to the formats of other programs.

        Parameters
        ----------
        folder
            Made if it is not there.
        formats
            ``"geoparquet"``, ``"geojson"``, ``"kml"``, ``"gpx"``, ``"shapefile"``, or several.
        replace
            Whether files of the same name in the folder are replaced.

        Returns
        -------
        list of Path
            The files.

        Raises
        ------
        InputError
            A format is not known.
        OutputError
            A file of that name is there already, or the folder cannot be written.
        """
        names = [formats] if isinstance(formats, str) else list(formats)
        return deliver.export_plan(self, names, Path(folder), replace=replace)


def make_plan(
    site: Site, tell: Tell | None = None, *, partition_size: int | None = None, scheduler: str | None = None
) -> Plan:
    """Make a treatment plan.

    Parameters
    ----------
    site
        What `tussock.read_site` returned.
    tell
        Called with a line before each stage; by default nothing is said.
    partition_size
        Most patches that are cut together; by default 50,000, on a scheduler 10,000. The plan does not depend on it.
    scheduler
        Address of a dask scheduler, such as ``tcp://host:8786``: the parts are cut there. By default they are cut
        here, one after another.

    Returns
    -------
    Plan
        Patches cut into units, every candidate judged, one chosen, amounts, hours and cost.

    Raises
    ------
    InputError
        With every fault found in values, outlines, CRS or rules.
    CutError
        A cut failed its proof.
    MissingExtraError
        A scheduler is named and dask is not installed.

    Examples
    --------
    >>> import tussock
    >>> plan = tussock.make_plan(tussock.read_site(tussock.sample_path("small")))
    >>> len(plan.patches)
    3
    """
    say = tell or _say_nothing
    say("repairing outlines and values")
    repaired = repair.repair_layers(site)
    say("measuring areas and choosing a CRS")
    measured = reproject.reproject_layers(site, repaired)
    say(f"cutting {len(measured.patches)} patches by {len(site.setbacks())} setbacks")
    zoned = zone.zone_patches(site, repaired, measured, partition_size=partition_size, scheduler=scheduler, tell=say)
    say(f"judging {len(site.treatments or ())} treatments on {len(zoned.units)} units")
    prescribed = prescribe.prescribe_units(site, repaired, measured, zoned)
    say("adding up amounts, hours and cost")
    budgeted = budget.budget_plan(site, measured, zoned, prescribed)
    return _gather(site, repaired, measured, zoned, prescribed, budgeted)


def approve_plan(
    folder: str | Path,
    *,
    approved_by: str,
    date: str,
    office: str = "",
    key: str | Path | None = None,
    passphrase: str | None = None,
    replace: bool = False,
    despite_violations: bool = False,
) -> Path:
    """Approve a delivered plan: write ``approval.json``, a fingerprint of each patch and rule set, into its folder.

    A later plan of the site compares its patches with it, and `review_plan` tells whether the plan beside it is still
    the one that was approved.

    Parameters
    ----------
    folder
        What `Plan.write` wrote. It is reviewed first.
    approved_by, office
        Who approves.
    date
        Day of the approval, ``"YYYY-MM-DD"``; the clock is not asked.
    key
        Ed25519 private key (PEM) to sign with. Without one the file holds a plain hash, and anyone can write it.
    passphrase
        Of the key, where it has one.
    replace
        Whether an approval that is there already is replaced.
    despite_violations
        Whether a plan in which the review finds violations is approved all the same.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    InputError
        The review finds violations, the folder or the key cannot be used, or a name or date is missing.
    OutputError
        An approval is there already, or the file cannot be written.
    MissingExtraError
        A key is given, and the package cryptography is not installed.
    """
    return review.approve_folder(
        Path(folder),
        despite_violations=despite_violations,
        approved_by=approved_by,
        date=date,
        office=office,
        key=None if key is None else Path(key),
        passphrase=passphrase,
        replace=replace,
    )


def review_plan(
    folder: str | Path,
    site_path: str | Path | None = None,
    *,
    trusted_key: str | Path | None = None,
    treated: str | Path | None = None,
    treated_layer: str | None = None,
    accuracy: str | None = None,
    swath: str | None = None,
    records: str | Path | None = None,
    date_format: str | None = None,
    allow_outside: bool = False,
) -> pd.DataFrame:
    """Review a delivered plan on its own path.

    Parameters
    ----------
    folder
        What `Plan.write` wrote.
    site_path
        Site file to compare the inputs with; without it the folder is reviewed by itself.
    trusted_key
        Public key (PEM) of the approver, got from him by another way; the approval must be signed with it.
    treated, treated_layer
        File of treated ground from the field (polygons, or tracks of a receiver, GPX too), and its layer.
    accuracy, swath
        Positional error of that file, and the width that its lines were treated in, such as ``"3 m"``, where no column
        states them.
    records
        A filled copy of ``record.csv``.
    date_format
        How its dates are written, as `datetime.strptime` has it; without it they must read one way only. Dates
        outside the season are refused.
    allow_outside
        Whether layers of the site file may lie outside its folder.

    Returns
    -------
    DataFrame
        One row for each finding: ``check, level, where, found, expected, note``; ``level`` is ``violation``,
        ``warning`` or ``info``.

    Raises
    ------
    InputError
        A length cannot be read. What is wrong with the folder or with a file brought along is a finding.
    """
    return review.review_folder(
        Path(folder),
        None if site_path is None else Path(site_path),
        trusted_key=None if trusted_key is None else Path(trusted_key),
        treated=None if treated is None else Path(treated),
        treated_layer=treated_layer,
        accuracy=accuracy,
        swath=swath,
        records=None if records is None else Path(records),
        date_format=date_format,
        allow_outside=allow_outside,
    )


def inspect_site(path: str | Path, *, allow_outside: bool = False) -> tuple[Site, Repaired, Measured]:
    """Read, repair and measure a site, without planning: what its layers hold and what is wrong with them."""
    site = reading.read_site(path, allow_outside=allow_outside)
    repaired = repair.repair_layers(site)
    return site, repaired, reproject.reproject_layers(site, repaired)


def _say_nothing(_: str) -> None:
    """Take a line and say nothing."""


def _gather(
    site: Site,
    repaired: Repaired,
    measured: Measured,
    zoned: Zoned,
    prescribed: Prescribed,
    budgeted: Budgeted,
) -> Plan:
    """Put the tables under the names and units that every output has."""
    system = site.options.units
    findings = [
        site.findings,
        repaired.findings,
        measured.findings,
        zoned.findings,
        prescribed.findings,
        budgeted.findings,
    ]
    plan = Plan(
        site=site,
        crs=measured.crs,
        patches=showing.show_patches(budgeted.patches, system, site.layers["infestations"].frame.columns),
        units=showing.show_units(budgeted.units, prescribed.compliance, system),
        options=prescribed.options,
        setback_zones=c.present(zoned.zones, c.SETBACK_ZONES, system),
        compliance=showing.show_compliance(prescribed.compliance, system),
        product_budget=c.present(budgeted.products, c.PRODUCT_BUDGET, system),
        season=showing.show_season(budgeted.season, system),
        overlaps=repaired.overlaps,
        features=measured.features,
        findings=join_findings(findings),
        work={name: c.present(table, c.WORK[name], system) for name, table in budgeted.work.items()},
        stems=showing.list_stems(repaired, system),
        kinds=c.present(prescribed.kinds, c.KINDS, system),
        unruled=c.present(zoned.unruled, c.UNRULED, system),
        relations=showing.list_relations(repaired, zoned, prescribed, system),
    )
    return plan if site.approval is None else _mark(plan, site.approval)


def _mark(plan: Plan, approval: Approval) -> Plan:
    """Mark the patches that are as approved, changed or new."""
    patches, findings = mark_patches(plan, approval)
    return replace(plan, patches=patches, findings=join_findings([plan.findings, findings]))
