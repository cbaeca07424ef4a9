"""The species table: what keepers and papers say, one line a row.

The numbers are the ideal span, °C and percent. Most are common practice from
memory and must be confirmed by the keeper; every row says where it is from.
Facts: the sources named in each row.
"""

from dataclasses import dataclass

from rules.plan import Stage

MEMORY = "common practice, from memory"
"""Nobody's measurement: what keepers do, to be confirmed."""

DRAGON = "an animal charity's guide (basking 38–42, cool end 22–26 °C, 30–40 %); NSW Department of Education"
"""Source of the adult bearded dragon's rows; warm air and night are from memory."""


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table.

    Attributes:
        stage: Whose row it is.
        spot: Where it holds; "" is everywhere in the place (eggs in a box, a cold store).
        when: "day", "night" or "always".
        temperature: Ideal span, °C.
        humidity: Ideal span, percent, or None where nobody gives one.
        source: Where the numbers are from.
        sourced: Letters of the quantities that the source really gives: "t" temperature,
            "h" humidity. The others are common practice without a source.
    """

    stage: Stage
    spot: str
    when: str
    temperature: tuple[float, float]
    humidity: tuple[float, float] | None = None
    source: str = MEMORY
    sourced: str = ""


@dataclass(frozen=True, slots=True)
class Species:
    """One species: its names and its rows.

    Attributes:
        name: Scientific name.
        common: Common names, the usual one first.
        rows: Its lines of the table.
    """

    name: str
    common: tuple[str, ...]
    rows: tuple[Row, ...]


TABLE: tuple[Species, ...] = (
    Species(
        "Hemitheconyx caudicinctus",
        ("African fat-tailed gecko",),
        (
            Row(Stage.INCUBATION, "", "always", (28.0, 32.0), (80.0, 90.0)),
            Row(Stage.ADULT, "basking surface", "day", (31.0, 33.0)),
            Row(Stage.ADULT, "warm side", "day", (28.0, 31.0), (50.0, 70.0)),
            Row(Stage.ADULT, "cool side", "day", (24.0, 27.0), (50.0, 70.0)),
            Row(Stage.ADULT, "air", "night", (21.0, 25.0), (50.0, 70.0)),
        ),
    ),
    Species(
        "Salvator merianae",
        (
            "Argentine black-and-white tegu",
            "Argentine tegu",
        ),
        (
            Row(
                Stage.INCUBATION,
                "",
                "always",
                (28.0, 31.0),
                (80.0, 95.0),
                MEMORY + "; a relative took 85 d on average in artificial incubation (Quintana, abstract)",
            ),
            Row(Stage.HATCHLING, "basking surface", "day", (43.0, 52.0)),
            Row(Stage.HATCHLING, "warm side", "day", (29.0, 33.0), (70.0, 90.0)),
            Row(Stage.HATCHLING, "cool side", "day", (24.0, 27.0), (70.0, 90.0)),
            Row(Stage.HATCHLING, "air", "night", (20.0, 25.0), (70.0, 90.0)),
            Row(Stage.ADULT, "basking surface", "day", (45.0, 57.0)),
            Row(Stage.ADULT, "warm side", "day", (28.0, 33.0), (60.0, 85.0)),
            Row(Stage.ADULT, "cool side", "day", (23.0, 27.0), (60.0, 85.0)),
            Row(Stage.ADULT, "air", "night", (18.0, 25.0), (60.0, 85.0)),
        ),
    ),
    Species(
        "Python regius",
        (
            "ball python",
            "royal python",
        ),
        (
            Row(
                Stage.INCUBATION,
                "",
                "always",
                (30.5, 32.0),
                (90.0, 100.0),
                MEMORY + "; keepers' pages: 31.1–32.2 °C, above 33.3 °C dangerous",
            ),
            Row(Stage.HATCHLING, "basking surface", "day", (31.0, 33.0)),
            Row(Stage.HATCHLING, "warm side", "day", (29.0, 32.0), (60.0, 75.0)),
            Row(Stage.HATCHLING, "cool side", "day", (25.0, 28.0), (60.0, 75.0)),
            Row(Stage.HATCHLING, "air", "night", (24.0, 27.0), (60.0, 75.0)),
            Row(Stage.ADULT, "basking surface", "day", (31.0, 34.0)),
            Row(Stage.ADULT, "warm side", "day", (29.0, 32.0), (50.0, 70.0)),
            Row(Stage.ADULT, "cool side", "day", (24.0, 28.0), (50.0, 70.0)),
            Row(Stage.ADULT, "air", "night", (23.0, 27.0), (50.0, 70.0)),
        ),
    ),
    Species(
        "Pogona vitticeps",
        ("bearded dragon",),
        (
            Row(
                Stage.INCUBATION,
                "",
                "always",
                (28.0, 31.0),
                (75.0, 90.0),
                MEMORY + "; constant heat above 32 °C reverses sex (Quinn 2007, Holleley 2015)",
            ),
            Row(Stage.HATCHLING, "basking surface", "day", (38.0, 42.0)),
            Row(Stage.HATCHLING, "warm side", "day", (28.0, 32.0), (30.0, 45.0)),
            Row(Stage.HATCHLING, "cool side", "day", (23.0, 27.0), (30.0, 45.0)),
            Row(Stage.HATCHLING, "air", "night", (20.0, 24.0), (30.0, 45.0)),
            Row(Stage.ADULT, "basking surface", "day", (38.0, 42.0), None, DRAGON, "t"),
            Row(Stage.ADULT, "warm side", "day", (27.0, 32.0), (30.0, 40.0), DRAGON, "h"),
            Row(Stage.ADULT, "cool side", "day", (22.0, 26.0), (30.0, 40.0), DRAGON, "th"),
            Row(Stage.ADULT, "air", "night", (18.0, 24.0), (30.0, 40.0), DRAGON, "h"),
        ),
    ),
    Species(
        "Lampropeltis californiae",
        ("California kingsnake",),
        (
            Row(Stage.INCUBATION, "", "always", (26.0, 29.0), (75.0, 90.0)),
            Row(Stage.ADULT, "basking surface", "day", (30.0, 32.0)),
            Row(Stage.ADULT, "warm side", "day", (27.0, 30.0), (40.0, 55.0)),
            Row(Stage.ADULT, "cool side", "day", (22.0, 26.0), (40.0, 55.0)),
            Row(Stage.ADULT, "air", "night", (19.0, 23.0), (40.0, 55.0)),
        ),
    ),
    Species(
        "Pantherophis guttatus",
        ("corn snake",),
        (
            Row(
                Stage.INCUBATION,
                "",
                "always",
                (26.0, 29.5),
                (75.0, 95.0),
                MEMORY + "; keepers' pages: 25.5–29 °C, 58–62 d at 27.8 °C",
            ),
            Row(Stage.HATCHLING, "basking surface", "day", (29.0, 31.0)),
            Row(Stage.HATCHLING, "warm side", "day", (27.0, 30.0), (45.0, 60.0)),
            Row(Stage.HATCHLING, "cool side", "day", (22.0, 25.0), (45.0, 60.0)),
            Row(Stage.HATCHLING, "air", "night", (20.0, 24.0), (45.0, 60.0)),
            Row(Stage.ADULT, "basking surface", "day", (29.0, 32.0)),
            Row(Stage.ADULT, "warm side", "day", (27.0, 30.0), (40.0, 60.0)),
            Row(Stage.ADULT, "cool side", "day", (21.0, 26.0), (40.0, 60.0)),
            Row(Stage.ADULT, "air", "night", (19.0, 23.0), (40.0, 60.0)),
        ),
    ),
    Species(
        "Correlophus ciliatus",
        ("crested gecko",),
        (
            Row(Stage.INCUBATION, "", "always", (21.0, 25.0), (70.0, 90.0)),
            Row(
                Stage.HATCHLING,
                "warm side",
                "day",
                (21.0, 24.0),
                (60.0, 85.0),
                "a breeder's page: hatchlings at 21–24 °C",
                "t",
            ),
            Row(Stage.HATCHLING, "cool side", "day", (20.0, 23.0), (60.0, 85.0)),
            Row(Stage.HATCHLING, "air", "night", (18.0, 22.0), (60.0, 85.0)),
            Row(Stage.ADULT, "warm side", "day", (23.0, 26.0), (55.0, 80.0)),
            Row(Stage.ADULT, "cool side", "day", (20.0, 24.0), (55.0, 80.0)),
            Row(Stage.ADULT, "air", "night", (17.0, 22.0), (55.0, 80.0)),
        ),
    ),
    Species(
        "Phelsuma grandis",
        ("giant day gecko",),
        (
            Row(Stage.INCUBATION, "", "always", (26.5, 29.0), (70.0, 85.0)),
            Row(Stage.ADULT, "basking surface", "day", (30.0, 33.0)),
            Row(Stage.ADULT, "warm side", "day", (26.0, 29.0), (60.0, 80.0)),
            Row(Stage.ADULT, "cool side", "day", (23.0, 26.0), (60.0, 80.0)),
            Row(Stage.ADULT, "air", "night", (20.0, 23.0), (60.0, 80.0)),
        ),
    ),
    Species(
        "Morelia viridis",
        ("green tree python",),
        (
            Row(Stage.INCUBATION, "", "always", (29.5, 31.5), (85.0, 100.0)),
            Row(Stage.ADULT, "basking surface", "day", (30.0, 32.0)),
            Row(Stage.ADULT, "warm side", "day", (28.0, 31.0), (55.0, 85.0)),
            Row(Stage.ADULT, "cool side", "day", (25.0, 27.0), (55.0, 85.0)),
            Row(Stage.ADULT, "air", "night", (23.0, 25.0), (55.0, 85.0)),
        ),
    ),
    Species(
        "Testudo hermanni",
        ("Hermann's tortoise",),
        (
            Row(
                Stage.INCUBATION,
                "",
                "always",
                (28.0, 33.5),
                (70.0, 85.0),
                "25–34 °C tested, pivotal 31.6 °C (Eendebak 1995 and 2001, ROSIE database)",
                "t",
            ),
            Row(Stage.HATCHLING, "basking surface", "day", (32.0, 36.0)),
            Row(Stage.HATCHLING, "warm side", "day", (26.0, 30.0), (60.0, 80.0)),
            Row(Stage.HATCHLING, "cool side", "day", (20.0, 25.0), (60.0, 80.0)),
            Row(Stage.HATCHLING, "air", "night", (16.0, 20.0), (60.0, 80.0)),
            Row(Stage.ADULT, "basking surface", "day", (32.0, 38.0)),
            Row(Stage.ADULT, "warm side", "day", (25.0, 30.0), (40.0, 70.0)),
            Row(Stage.ADULT, "cool side", "day", (18.0, 25.0), (40.0, 70.0)),
            Row(Stage.ADULT, "air", "night", (12.0, 18.0), (40.0, 70.0)),
            Row(
                Stage.COOLING,
                "",
                "always",
                (4.0, 8.0),
                (70.0, 90.0),
                MEMORY + "; Vetpedia: 4–10 °C for at most 20 weeks",
            ),
        ),
    ),
    Species(
        "Eublepharis macularius",
        ("leopard gecko",),
        (
            Row(
                Stage.INCUBATION,
                "",
                "always",
                (26.0, 32.5),
                (75.0, 90.0),
                "Viets et al. 1993, J Exp Zool 265:679; Reptile Development Database 1487",
                "t",
            ),
            Row(Stage.HATCHLING, "basking surface", "day", (31.0, 34.0)),
            Row(Stage.HATCHLING, "warm side", "day", (28.0, 31.0), (35.0, 50.0)),
            Row(Stage.HATCHLING, "cool side", "day", (23.0, 27.0), (35.0, 50.0)),
            Row(Stage.HATCHLING, "air", "night", (20.0, 25.0), (35.0, 50.0)),
            Row(Stage.ADULT, "basking surface", "day", (31.0, 35.0)),
            Row(Stage.ADULT, "warm side", "day", (28.0, 31.0), (30.0, 45.0)),
            Row(Stage.ADULT, "cool side", "day", (22.0, 27.0), (30.0, 45.0)),
            Row(Stage.ADULT, "air", "night", (18.0, 24.0), (30.0, 45.0)),
        ),
    ),
    Species(
        "Paroedura picta",
        ("Madagascar ground gecko",),
        (
            Row(
                Stage.INCUBATION,
                "",
                "always",
                (25.0, 29.0),
                (70.0, 85.0),
                "Blumberg et al. 2002, J Exp Biol 205:2777 (23, 26 and 30 °C: 127, 79 and 49 d)",
                "t",
            ),
        ),
    ),
    Species(
        "Furcifer pardalis",
        ("panther chameleon",),
        (
            Row(
                Stage.INCUBATION,
                "",
                "always",
                (22.0, 26.0),
                (75.0, 90.0),
                MEMORY + "; often a cooler diapause comes first",
            ),
            Row(Stage.ADULT, "basking surface", "day", (28.0, 32.0)),
            Row(Stage.ADULT, "warm side", "day", (24.0, 28.0), (55.0, 85.0)),
            Row(Stage.ADULT, "cool side", "day", (21.0, 24.0), (55.0, 85.0)),
            Row(Stage.ADULT, "air", "night", (17.0, 22.0), (55.0, 85.0)),
        ),
    ),
    Species(
        "Trachemys scripta",
        ("red-eared slider",),
        (
            Row(
                Stage.INCUBATION,
                "",
                "always",
                (25.5, 30.5),
                (80.0, 95.0),
                "Les 2007 and 2009 (28.5 °C: 61 d, 31 °C: 50 d), Reptile Development Database",
                "t",
            ),
            Row(
                Stage.ADULT,
                "water",
                "day",
                (20.0, 25.0),
                (80.0, 100.0),
                "Commission Recommendation 2007/526/EC, table J.1 (OJ L 197, p. 82)",
                "th",
            ),
            Row(Stage.ADULT, "basking surface", "day", (32.0, 36.0)),
        ),
    ),
    Species(
        "Centrochelys sulcata",
        (
            "sulcata tortoise",
            "African spurred tortoise",
        ),
        (
            Row(
                Stage.INCUBATION,
                "",
                "always",
                (28.5, 31.5),
                (70.0, 90.0),
                "Ligon 2009 (28.5–32.5 °C: 111–78 d), Reptile Development Database 1268",
                "t",
            ),
            Row(Stage.HATCHLING, "basking surface", "day", (35.0, 38.0)),
            Row(Stage.HATCHLING, "warm side", "day", (28.0, 32.0), (65.0, 85.0)),
            Row(Stage.HATCHLING, "cool side", "day", (25.0, 28.0), (65.0, 85.0)),
            Row(Stage.HATCHLING, "air", "night", (24.0, 28.0), (65.0, 85.0)),
        ),
    ),
    Species(
        "Chamaeleo calyptratus",
        ("veiled chameleon",),
        (
            Row(
                Stage.INCUBATION,
                "",
                "always",
                (25.0, 28.0),
                (75.0, 90.0),
                "Ballen 2015 (25 °C: 253 d, 28 °C: 227 d), Reptile Development Database 1545 and 1005",
                "t",
            ),
            Row(
                Stage.HATCHLING,
                "basking surface",
                "day",
                (27.0, 29.5),
                None,
                "a keeper's page: young animals bask at about 29 °C",
                "t",
            ),
            Row(Stage.HATCHLING, "warm side", "day", (24.0, 27.0), (50.0, 80.0)),
            Row(Stage.HATCHLING, "cool side", "day", (21.0, 24.0), (50.0, 80.0)),
            Row(Stage.HATCHLING, "air", "night", (17.0, 21.0), (50.0, 80.0)),
            Row(
                Stage.ADULT,
                "basking surface",
                "day",
                (29.0, 35.0),
                None,
                "keepers' pages: basking 29–35 °C, ambient 22–27 °C, night 18–21 °C",
                "t",
            ),
            Row(
                Stage.ADULT,
                "warm side",
                "day",
                (25.0, 29.0),
                (40.0, 75.0),
                "keepers' pages: basking 29–35 °C, ambient 22–27 °C, night 18–21 °C",
                "t",
            ),
            Row(
                Stage.ADULT,
                "cool side",
                "day",
                (21.0, 25.0),
                (40.0, 75.0),
                "keepers' pages: basking 29–35 °C, ambient 22–27 °C, night 18–21 °C",
                "t",
            ),
            Row(
                Stage.ADULT,
                "air",
                "night",
                (16.0, 21.0),
                (40.0, 75.0),
                "keepers' pages: basking 29–35 °C, ambient 22–27 °C, night 18–21 °C",
                "t",
            ),
        ),
    ),
    Species(
        "Heterodon nasicus",
        ("western hognose",),
        (
            Row(Stage.INCUBATION, "", "always", (26.5, 29.0), (75.0, 90.0)),
            Row(Stage.ADULT, "basking surface", "day", (31.0, 34.0)),
            Row(Stage.ADULT, "warm side", "day", (28.0, 31.0), (30.0, 50.0)),
            Row(Stage.ADULT, "cool side", "day", (22.0, 26.0), (30.0, 50.0)),
            Row(Stage.ADULT, "air", "night", (19.0, 23.0), (30.0, 50.0)),
        ),
    ),
    Species(
        "Varanus albigularis",
        ("white-throated monitor",),
        (
            Row(
                Stage.INCUBATION,
                "",
                "always",
                (27.0, 31.0),
                (80.0, 95.0),
                "Phillips 1994 (27, 29 and 31 °C: 154, 138.5 and 128 d), Reptile Development Database 1352",
                "t",
            ),
        ),
    ),
)
"""Every species that is known, by scientific name in no order."""
