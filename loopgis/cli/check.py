"""loopgis check: read everything, print all findings at once, write nothing."""

from __future__ import annotations

import click

from loopgis.cli import options


@click.command("check", short_help="Read a site, print all findings, write nothing.")
@click.argument("site", type=click.Path())
@options.units
@options.as_json
@options.verbose
@options.quiet
def command(site: str, units: str | None, as_json: bool, verbose: int, quiet: bool) -> int:
    """Read the site file SITE and all its layers and rules, print all findings at once, write nothing.

    Exit code 3 when the site cannot be used.
    """
    from loopgis.core.errors import InputError  # noqa: PLC0415
    from loopgis.core.findings import in_order, worst  # noqa: PLC0415
    from loopgis.driver import check  # noqa: PLC0415

    del verbose
    read, found = check(site, units=units)
    findings = in_order(list(found))
    if as_json:
        options.show_json({"site": read.describe() if read else None, "findings": [f.as_dict() for f in findings]})
    else:
        if read is not None and not quiet:
            metric = read.spec.units == "metric"
            area = read.parcel.area
            size = f"{area:,.0f} m2" if metric else f"{area / 0.3048**2:,.0f} sq ft"
            options.say(
                f"{read.spec.name}: lot of {size}, {len(read.buildings)} buildings, {len(read.features)} other features"
            )
        options.show_findings(findings, quiet=quiet, stdout=True)
        if not quiet:
            options.say(f"{len(findings)} findings" if findings else "no findings")
    return InputError.exit_code if worst(findings) == "error" else 0
