"""Write ``spellings.csv``: 200 ways in which people stand in a log, filled by a fixed seed.

Nobody is meant: given names and surnames are drawn apart, numbers and streets made up.
"""

import csv
import random
from pathlib import Path

SEED = 20261129
EACH = 6  # people in each spelling
PEOPLE = {
    "en": ("Emma Harry Freya Alfie Poppy Callum Imogen Rhys", "Smith Wilcox Turner Haddock Bell"),
    "de": ("Anna Svenja Torsten Heike Lukas Annegret Ottokar", "Schmidt Müller Krause Vogt Böhm"),
    "fr": ("Camille Léa Thibault Solène Pierre Yannick", "Lefèvre Moreau Petit Garnier Roux"),
    "es": ("Lucía Javier Iker Nerea Pablo Candela", "García Ortega Rubio Peña Molina"),
    "it": ("Giulia Matteo Fiorella Ettore Chiara Tullio", "Rossi Bianchi Conti Greco Fontana"),
    "nl": ("Sanne Daan Fenna Gijs Lotte Wouter", "Jansen Bakker Visser Mulder Smit"),
    "pl": ("Zofia Piotr Bożena Zbigniew Ewa Radosław", "Nowak Kowalski Wójcik Mazur Krawczyk"),
}
NAMES = (
    "{g} {s}", "{s}, {g}", "{S} {G}", "{l} {k}", "{l}.{k}", "{l}_{k}", "{g}{s}", "{s}", "{g}",
    "{i}. {s}", "{j}{k}01", "{g} {s} {year}", "{s} {i}", "{title} {s}",
)  # fmt: skip
TITLES = dict(zip(PEOPLE, ("Mrs", "Frau", "Mme", "Sra.", "Sig.", "Dhr.", "Pani"), strict=True))
OTHER_SCRIPTS = (
    ["Иван Петров", "Ольга Смирнова", "Анна Волкова", "Пётр Орлов", "Мария Лис", "Егор Зуев"],
    ["王伟", "李娜", "张敏", "刘洋", "陈静", "杨帆"],
)
PHONES = (
    "0171-555####", "0171555####", "0171 555####", "0171/555####", "(0171) 555####",
    "+49 171 555####", "+49171555####", "0049 171 555####", "030 555 ## ##", "089/555##-##",
    "(555) 123-####", "555-123-####", "555.123.####", "555 123 ####", "555#######",
    "+1 555 123 ####", "+1-555-123-####", "07700 900###", "07700900###", "+44 7700 900###",
    "06 12 34 ## ##", "06.12.34.##.##", "+33 6 12 34 ## ##", "+34 612 34 ## ##", "612 345 ###",
    "+39 347 555 ####", "347 555 ####", "06-1234####", "+31 6 1234 ####", "+48 512 345 ###",
)  # fmt: skip
MONTHS = {
    "en": "January March June October", "de": "Januar März Juni Oktober",
    "fr": "janvier mars juin octobre", "es": "enero marzo junio octubre",
    "it": "gennaio marzo giugno ottobre", "nl": "januari maart juni oktober",
    "pl": "stycznia marca czerwca października",
}  # fmt: skip
DATES = (
    "{y}-{m:02}-{d:02}", "{d:02}.{m:02}.{y}", "{d}.{m}.{y}", "{d:02}/{m:02}/{y}", "{m}/{d}/{y}",
    "{d}-{m}-{y}", "{y}/{m:02}/{d:02}", "{y}.{m:02}.{d:02}", "{d}/{m}/{yy:02}", "{d}.{m}.{yy:02}",
    "{m:02}-{d:02}-{yy:02}", "{y}", "{m:02}/{y}", "{m:02}.{y}", "{y}{m:02}{d:02}",
    "{y}-{m:02}-{d:02}T00:00:00", "{en} {d}, {y}", "{d} {en} {y}", "{d}. {de} {y}", "{d} {fr} {y}",
    "{d} de {es} de {y}", "{d} {it} {y}", "{d} {nl} {y}", "{d} {pl} {y}", "geb. {d}.{m}.{y}",
    "né le {d}/{m}/{y}", "* {d}.{m}.{y}", "born {y}", "{en} {y}", "{d}th {en} {y}",
)  # fmt: skip
ADDRESSES = (
    "{n} {g} Street", "{n} {g} Road", "{n}a {g} Avenue", "Flat 2, {n} {g} Lane", "{n} {g} Close",
    "SW{n} 4AB", "{n} {g} St, Dover", "{s}straße {n}", "{s}strasse {n}", "{s}str. {n}",
    "{s}weg {n}", "Am {s} {n}", "{s}gasse {n}", "{s}allee {n}", "803{n} {s}",
    "{s}er Straße {n}", "{n} rue {s}", "{n}, avenue {s}", "{n} bis, rue du {s}", "750{n} {s}",
    "{n} boulevard {s}", "{n} impasse {s}", "Calle {s} {n}", "Calle {s}, {n}", "C/ {s} {n}",
    "Avenida {s}, {n}", "Plaza {s} {n}", "280{n} {s}", "Via {s} {n}", "Via {s}, {n}",
    "Viale {s} {n}", "Piazza {s} {n}", "{s}straat {n}", "{s}laan {n}", "{s}gracht {n}",
    "10{n} AB {s}", "ul. {s} {n}", "ul. {s} {n}/4", "al. {s} {n}", "{n}-123 {s}",
)  # fmt: skip


def people(rng: random.Random, language: str) -> list[dict[str, str]]:
    """Return what stands in the spellings, for each of the people."""
    given, surnames = (part.split() for part in PEOPLE[language])
    found = []
    for _ in range(EACH):
        g, s = rng.choice(given), rng.choice(surnames)
        parts = {"g": g, "s": s, "G": g.upper(), "S": s.upper(), "l": g.lower(), "k": s.lower()}
        parts |= {"i": g[0], "j": g[0].lower(), "year": str(rng.randrange(1950, 2003))}
        found.append({**parts, "title": TITLES[language]})
    return found


def day(rng: random.Random) -> dict[str, object]:
    """Return a birth date in its parts."""
    y, m = rng.randrange(1950, 2003), rng.randrange(4)
    named = {language: names.split()[m] for language, names in MONTHS.items()}
    return {"y": y, "yy": y % 100, "m": (1, 3, 6, 10)[m], "d": rng.randrange(1, 29), **named}


def cases() -> list[list[str]]:
    """Return kind, spelling and the texts of each case."""
    rng = random.Random(SEED)
    found = []
    for language in PEOPLE:
        for style in NAMES:
            texts = [style.format(**one) for one in people(rng, language)]
            found.append(["name", f"{language} {style}", *texts])
    found += [["name", "another script", *texts] for texts in OTHER_SCRIPTS]
    for style in PHONES:
        texts = [
            "".join(rng.choice("0123456789") if mark == "#" else mark for mark in style)
            for _ in range(EACH)
        ]
        found.append(["phone", style, *texts])
    for style in DATES:
        found.append(["birth date", style, *(style.format(**day(rng)) for _ in range(EACH))])
    for style in ADDRESSES:
        texts = [
            style.format(n=rng.randrange(10, 99), g=rng.choice(("High", "Mill", "Station")), s=s)
            for s in rng.sample(["Linden", "Molino", "Roma", "Kerk", "Garten", "Orme", "Polna"], 6)
        ]
        found.append(["address", style, *texts])
    return found


if __name__ == "__main__":
    path = Path(__file__).with_name("spellings.csv")
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows(cases())
