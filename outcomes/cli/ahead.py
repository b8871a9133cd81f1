"""The command that plans the next course of patients."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from outcomes.cli.app import (
    INTERRUPTED,
    CohortArgument,
    MappingOption,
    Notation,
    NotationOption,
    OverwriteOption,
    SeedOption,
    app,
)
from outcomes.cli.spoken import console_of, print_problems, say_demo, stop, wrong_use
from outcomes.errors import CannotAnswer, CohortError, InputError, OutputRefused

if TYPE_CHECKING:
    from outcomes.cohort.records import Cohort
    from outcomes.overcorrect.aims import Aims
    from outcomes.reports.ahead.results import Ahead

_AIMS_LAST = "The aims cannot be used until what says 'stop' is put right. Nothing was written."


@app.command("next")
def next_(
    cohort: CohortArgument = None,
    patient: Annotated[
        list[str] | None,
        typer.Option(
            help="Code of a patient of the cohort; may be given several times. Without it the aims "
            "say whose they are; aims that name nobody are of a new patient."
        ),
    ] = None,
    aims: Annotated[
        Path | None,
        typer.Option(
            exists=True,
            dir_okay=False,
            help="What the course shall reach (.xlsx or .csv): tooth, movement, aim; an aim of 0 is a "
            "tooth to hold. Without it what the courses so far have left.",
        ),
    ] = None,
    out: Annotated[Path, typer.Option("--out", help="Folder to write to.")] = Path("next-course"),
    over_cap: Annotated[
        float, typer.Option(min=0.01, max=0.99, help="Largest chance of going too far.")
    ] = 0.10,
    over_cost: Annotated[
        list[str] | None,
        typer.Option(
            metavar="[TOOTH:MOVEMENT=]COST",
            help="What a mm or degree too far costs against one too short, as 3, torque=4, 31=4 or "
            "31:torque=4; may be given several times. Adds the plan of least cost.",
        ),
    ] = None,
    max_factor: Annotated[
        float, typer.Option(min=1.0, help="No plan above this many times the aim.")
    ] = 2.0,
    aligners: Annotated[
        int | None, typer.Option(min=1, help="Most aligners the course may have.")
    ] = None,
    days: Annotated[float, typer.Option(min=1.0, help="Days each aligner is worn.")] = 7.0,
    back: Annotated[
        bool,
        typer.Option(
            "--back/--no-back",
            help="Hold each course so far against what was to be expected of it.",
        ),
    ] = True,
    overwrite: OverwriteOption = False,
    seed: SeedOption = 1,
    mapping: MappingOption = None,
    notation: NotationOption = None,
) -> None:
    """Plan the next course: a sheet to print for each patient, from past cases and their own."""
    from outcomes.overcorrect.plan import PlanLimits
    from outcomes.overcorrect.rules import Rules
    from outcomes.progress import shown
    from outcomes.reports.ahead.folder import write_folder
    from outcomes.reports.ahead.results import run_next
    from outcomes.reports.build.place import check_free, written_whole

    if not patient and aims is None:
        wrong_use("Say whose next course: --patient CODE, or --aims FILE for a new patient.")
    if mapping is not None and cohort is None:
        wrong_use("--mapping needs the input it was made for.")
    say_demo(cohort)
    try:
        check_free(out.absolute(), overwrite=overwrite)
        records = _cohort(cohort, notation, mapping)
        wanted = _aims(aims, notation, records)
        limits = PlanLimits(
            over_cap=over_cap,
            over_cost=_costs(over_cost or []),
            aligners=aligners,
            days_per_aligner=days,
        )
        with shown() as step:
            found = run_next(
                records,
                patient or None,
                wanted,
                limits=limits,
                rules=Rules(max_factor=max_factor),
                looking_back=back,
                seed=seed,
                progress=step,
            )
            options = {
                "patients": patient or [],
                "aims": aims,
                "mapping": mapping,
                "notation": notation,
                "over_cap": over_cap,
                "over_cost": over_cost or [],
                "max_factor": max_factor,
                "aligners": aligners,
                "days_per_aligner": days,
                "back": back,
            }
            with written_whole(out, overwrite=overwrite) as folder:
                sheets = write_folder(found, records, folder, seed=seed, options=options)
    except CohortError as error:
        stop(error)
    except (InputError, CannotAnswer, OutputRefused) as error:
        wrong_use(str(error))
    except KeyboardInterrupt:
        typer.echo("Stopped. Nothing was written.", err=True)
        raise typer.Exit(INTERRUPTED) from None
    _say(found, sheets, out)


def _cohort(path: Path | None, notation: Notation | None, mapping: Path | None) -> "Cohort":
    from outcomes.reports.build.run import open_cohort

    return open_cohort(path, notation=notation, mapping=mapping)


def _aims(path: Path | None, notation: Notation | None, records: "Cohort") -> "Aims | None":
    """Read the aims, teeth to hold among them; stop with all problems where none can be used."""
    from outcomes.overcorrect.aims import read_aims

    if path is None:
        return None
    usual: Any = records.notation if records.notation == "fdi" else None
    try:
        found = read_aims(path, notation=notation, usual=usual, holds=True)
    except CohortError as error:
        stop(error, _AIMS_LAST)
    if len(found.problems):
        print_problems(console_of(), found.problems, "Problems of the aims")
    return found


def _costs(given: list[str]) -> Any:
    """Costs as ``PlanLimits`` takes them: a number, or numbers by tooth, movement or both."""
    found: dict[Any, float] = {}
    alone = []
    for text in given:
        key, _, number = text.rpartition("=")
        try:
            cost = float(number)
        except ValueError:
            wrong_use(f"--over-cost {text}: write a number, or as torque=4, 31=4 or 31:torque=4.")
        parts = [int(p) if p.isascii() and p.isdigit() else p for p in key.split(":") if p]
        if parts:
            found[tuple(parts) if len(parts) > 1 else parts[0]] = cost
        else:
            alone.append(cost)
    if alone and (found or len(alone) > 1):
        wrong_use("--over-cost: give one number for all, or numbers by tooth and movement.")
    return alone[0] if alone else found


def _say(found: "list[Ahead]", sheets: list[Path], out: Path) -> None:
    from outcomes.reports.ahead.words import said_shortly

    for one in found:
        typer.echo(said_shortly(one.course))
    names = [path.name for path in sheets if path.suffix == ".html"]
    typer.echo(f"To print, also as .docx: {', '.join(str(out / name) for name in names)}")
    typer.echo("Evidence from past cases, not advice: the treating clinician decides.")
