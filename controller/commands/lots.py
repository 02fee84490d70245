"""``wardian lots``: harvest, viability tests, the next plan from a lot, the pedigree."""

from pathlib import Path

import click

from controller.commands.terminal import FiniteRange, by_option, open_records, out, plain_errors, run_argument
from controller.desk import lots as book_of_lots
from controller.desk.pedigree import draw_pedigree, tree_lines
from controller.errors import JournalError, SettingsError
from controller.science.proportions import wilson_interval
from controller.settings import read_plan

book_option = click.option(
    "--book", "book_path", type=click.Path(path_type=Path), default=Path("lots.jsonl"), show_default=True,
    help="The book of lots.",
)  # fmt: skip


@click.group()
def lots() -> None:
    """Seed lots and the next generation."""


@lots.command()
@click.argument("lot")
@run_argument
@click.option("--species", required=True)
@by_option
@click.option("--positions", "positions_text", default="", help="Which positions, such as 1,2,5; default: all of it.")
@click.option("--seeds", type=click.IntRange(min=0), help="How many seeds.")
@click.option("--mass-g", type=FiniteRange(min=0), help="Their mass.")
@click.option("--note", default="")
@book_option
def harvest(
    lot: str,
    run_folder: Path,
    species: str,
    asked_by: str,
    positions_text: str,
    seeds: int | None,
    mass_g: float | None,
    note: str,
    book_path: Path,
) -> None:
    """Write down a harvest as a new lot; its parents are the lots that the run was sown from."""
    with plain_errors():
        journal, settings = open_records(run_folder)
        run_id = str(journal.run_row()["run_id"])
        journal.close()
        positions = positions_in(positions_text)
        record = book_of_lots.harvested(
            lot, species, settings, run_id, positions, written_by=asked_by, seeds=seeds, mass_g=mass_g, note=note
        )
        book_of_lots.add(book_of_lots.read_book(book_path), record)
        parents = f", from {', '.join(record.parents)}" if record.parents else ""
        out.print(f"Lot {lot}: {species} from positions {', '.join(map(str, record.positions))}{parents}.")


def positions_in(text: str) -> tuple[int, ...]:
    """The positions that an option names; SettingsError when it names none."""
    parts = [part.strip() for part in text.split(",") if part.strip()]
    if not all(part.isascii() and part.isdigit() and len(part) <= 6 for part in parts):
        raise SettingsError((f"--positions {text}: write numbers with commas, such as 1,2,5.",))
    return tuple(int(part) for part in parts)


@lots.command()
@click.argument("lot")
@click.option("--species", required=True)
@by_option
@click.option("--seeds", type=click.IntRange(min=0))
@click.option("--note", default="", help="Where it came from.")
@book_option
def bring(lot: str, species: str, asked_by: str, seeds: int | None, note: str, book_path: Path) -> None:
    """Write down seed that came from elsewhere as a lot without parents."""
    with plain_errors():
        record = book_of_lots.Lot(lot, species, asked_by, book_of_lots.now_text(), seeds=seeds, note=note)
        book_of_lots.add(book_of_lots.read_book(book_path), record)
        out.print(f"Lot {lot}: {species}.")


@lots.command()
@click.argument("lot")
@click.option("--sown", required=True, type=click.IntRange(min=1))
@click.option("--germinated", required=True, type=click.IntRange(min=0))
@by_option
@click.option("--note", default="")
@book_option
def test(lot: str, sown: int, germinated: int, asked_by: str, note: str, book_path: Path) -> None:
    """Write down a viability test, and say what it shows."""
    with plain_errors():
        book = book_of_lots.read_book(book_path)
        record = book_of_lots.ViabilityTest(lot, sown, germinated, asked_by, book_of_lots.now_text(), note)
        book_of_lots.add(book, record)
        out.print(viability_words(sown, germinated))


def viability_words(sown: int, germinated: int) -> str:
    found = wilson_interval(germinated, sown)
    return (
        f"{germinated} of {sown} germinated: {found.share_fraction:.0%}, and with 95 % confidence between "
        f"{found.low_fraction:.0%} and {found.high_fraction:.0%} of the lot (Wilson)."
    )


@lots.command()
@click.argument("lot")
@click.argument("plan_path", metavar="PLAN", type=click.Path(path_type=Path))
@click.option("--out", "new_path", required=True, type=click.Path(path_type=Path), help="The next plan.")
@book_option
def sow(lot: str, plan_path: Path, new_path: Path, book_path: Path) -> None:
    """Write the next plan: the same, with the lot's species sown from that lot. It has a digest of its own."""
    with plain_errors():
        chosen = book_of_lots.read_book(book_path).lot(lot)
        text = book_of_lots.sown_from(plan_path.read_text(encoding="utf-8"), read_plan(plan_path), chosen)
        if new_path.exists():
            raise SettingsError((f"{new_path} exists already; choose another name, so that no plan is lost.",))
        try:
            new_path.write_text(text, encoding="utf-8")
        except OSError as error:
            raise JournalError(f"{new_path}: the plan cannot be written: {error}") from error
        read_plan(new_path)
        out.print(
            f"{new_path}: every {chosen.species} is sown from lot {lot}. Give all twins this file, byte for byte."
        )


@lots.command()
@click.option("--draw", "drawing_path", type=click.Path(path_type=Path), help="Draw the pedigree into this SVG file.")
@book_option
def tree(drawing_path: Path | None, book_path: Path) -> None:
    """Show which lot came from which."""
    with plain_errors():
        book = book_of_lots.read_book(book_path)
        for line in tree_lines(book) or ["There is no lot yet."]:
            out.print(line)
        if drawing_path is not None:
            try:
                drawing_path.write_text(draw_pedigree(book), encoding="utf-8")
            except OSError as error:
                raise JournalError(f"{drawing_path}: the pedigree cannot be drawn: {error}") from error
            out.print(f"Pedigree: {drawing_path}")
