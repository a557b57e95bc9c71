"""`forecast price`: what each package on offer should cost for each enquiry, and what it risks."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from forecast.cli.estimate import CLOSING, as_dict, look_out_for, own_lines
from forecast.cli.files import read_enquiries, write_text
from forecast.cli.options import Options, add_command, answer
from forecast.errors import RequestError

if TYPE_CHECKING:
    from forecast.cli.options import Commands
    from forecast.forecaster import Forecaster
    from forecast.log import Enquiry
    from forecast.prices import Tariff

__all__ = ["register"]


def register(commands: Commands) -> None:
    """Add the command of this module."""
    parser = add_command(
        commands, "price", price, says="what packages should cost, with the risk stated"
    )
    parser.add_argument("model", metavar="MODEL.json", type=Path, nargs="?")
    parser.add_argument("enquiries", metavar="ENQUIRIES.csv", type=Path, nargs="?")
    parser.add_argument("--tariff", metavar="TARIFF.toml", type=Path, help="costs, rules, packages")
    parser.add_argument(
        "--courses",
        type=int,
        metavar="N",
        help="also a year of N courses like these, packages in equal shares",
    )
    parser.add_argument(
        "--log",
        type=Path,
        help="also the price list, the courses under way and the past of this log",
    )
    parser.add_argument("--seed", type=int, default=0, help="of what is simulated (0)")
    parser.add_argument(
        "--template",
        metavar="TARIFF.toml",
        type=Path,
        nargs="?",
        const=Path("tariff.toml"),
        help="write a commented tariff to start from, and stop (tariff.toml)",
    )


def price(options: Options) -> None:
    """Print the quote of every package for every enquiry."""
    if options.template is not None:
        write_template(options)
        return
    if options.enquiries is None or options.tariff is None:
        raise RequestError(
            "Pricing needs a model, enquiries and a tariff.",
            "Give MODEL.json ENQUIRIES.csv --tariff TARIFF.toml; --template writes a tariff.",
        )
    from forecast import load_forecaster, price_caseload
    from forecast.cli.log import read
    from forecast.cli.owner import owner_view
    from forecast.prices import read_tariff

    tariff = read_tariff(options.tariff)
    if not tariff.packages:
        raise RequestError(
            f"{options.tariff} offers no package.", "Add at least one [[packages]] to it."
        )
    forecaster = load_forecaster(options.model)
    enquiries = read_enquiries(options.enquiries)
    data, texts = quote_all(forecaster, enquiries, tariff)
    if options.courses is not None:
        year = price_caseload(
            forecaster,
            list(enquiries.values()),
            tariff.packages,
            tariff,
            courses=options.courses,
            seed=options.seed,
        )
        data["year"] = year.to_dict()
        texts.append(year.to_text())
    if options.log is not None:
        found, words = owner_view(forecaster, read(options), tariff, seed=options.seed)
        data |= found
        texts.append(words)
    answer(options, data, "\n\n".join([*texts, CLOSING]))


def quote_all(
    forecaster: Forecaster, enquiries: Mapping[str, Enquiry], tariff: Tariff
) -> tuple[dict[str, Any], list[str]]:
    """Return the quotes of every package for every enquiry, as JSON values and in words."""
    from forecast import price_package
    from forecast.prices import quotes_text

    results: list[dict[str, Any]] = []
    texts: list[str] = []
    for label, enquiry in enquiries.items():
        estimate = forecaster.estimate(enquiry)
        quotes = [price_package(estimate, package, tariff) for package in tariff.packages]
        cautions = look_out_for(enquiry)
        priced = {"enquiry_id": label, "quotes": [quote.to_dict() for quote in quotes]}
        results.append({**priced, **as_dict(cautions)})
        title = "\n".join([f"Enquiry {label}", *own_lines(cautions)])
        texts.append(f"{title}\n\n{quotes_text(quotes)}")
    return {"prices": results}, texts


def write_template(options: Options) -> None:
    """Write a commented tariff to a file that is not there yet."""
    from forecast.prices import tariff_template

    path: Path = options.template
    if path.exists():
        raise RequestError(f"{path} is there already.", "Name another file, or move it away.")
    write_text(path, tariff_template())
    answer(options, {"written": str(path)}, f"Wrote {path}: replace its numbers by your own.")
