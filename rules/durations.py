"""How long eggs take: mean incubation durations at constant temperatures, as published.

Facts, one table for each paper with its full citation. They were read from two
compilations: the Reptile Development Database ("RDD" with its paper number; Noble
et al. 2018, Scientific Data) and ROSIE (turtles; CC BY 4.0, doi
10.5281/zenodo.4670573), and one table from an abstract. "Du 2003" and "Du 2003b" are
one paper that the compilation lists twice; both are kept as they stand there.

Only constant temperatures and untreated eggs are in here. For several species that
many keepers have (bearded dragons, leopard and crested geckos, royal pythons, corn
snakes, tegus) no open durations at constant temperature were found; there a
keeper's own records serve.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Paper:
    """Where facts come from.

    Attributes:
        via: The compilation in which they were read.
        citation: The full citation.
    """

    via: str
    citation: str


@dataclass(frozen=True, slots=True)
class Duration:
    """A mean incubation duration at one constant temperature.

    Attributes:
        temperature: °C.
        days: Mean from laying to hatching, days.
        eggs: How many eggs hatched, or None where it is not given.
        paper: Key into :data:`PAPERS`.
    """

    temperature: float
    days: float
    eggs: int | None
    paper: str


PAPERS: dict[str, Paper] = {
    "Limpus 1985": Paper(
        "ROSIE",
        "Limpus, C. J., Reed, P. C., & Miller, J. D. (1985). Temperature dependent sex determination "
        "in Queensland sea turtles: Intraspecific variation in Caretta caretta. Biology of "
        "Australasian Frogs and Reptiles, 1985, 343-351.",
    ),
    "Georges 1994": Paper("RDD 1175", "Georges 1994, Journal of Experimental Zoology 270:432-444"),
    "Harry 1989": Paper(
        "ROSIE",
        "Harry, J. L., & Limpus, C. J. (1989). Low-temperature protection of marine turtle eggs "
        "during long-distance relocation. Australian Wildlife Research, 16(3), 317-320.",
    ),
    "Kamezaki 1991": Paper(
        "ROSIE",
        "Kamezaki, N., & Kuroyanagi, K. (1991). On the TSD of Caretta caretta from Japan. Umigame "
        "Newsletter of Japan, 7, 8-10.",
    ),
    "Harry 1991": Paper(
        "ROSIE",
        "Harry, J. L., & Williams, K. L. (1991). Differential growth of male and female urinogenital "
        "systems of Caretta caretta, within the sex-determining period. Journal of Experimental "
        "Zoology, 258(2), 204-211.",
    ),
    "Mrosovsky 2002": Paper("RDD 1625", "Mrosovsky 2002, Canadian Journal of Zoology 80:2118-2124"),
    "Mrosovsky 1988": Paper("RDD 1622", "Mrosovsky 1988, Canadian Journal of Zoology 66:661-669"),
    "Reid 2009": Paper("RDD 1388", "Reid 2009, Journal of Experimental Marine Biology and Ecology 378:62-68"),
    "Mrosovsky 2002b": Paper(
        "ROSIE",
        "Mrosovsky, N., Kamel, S., Rees, A. F., & Margaritoulis, D. (2002). Pivotal temperature for "
        "loggerhead turtles (Caretta caretta) from Kyparissia Bay, Greece. Canadian Journal of "
        "Zoology, 80(12), 2118-2124.",
    ),
    "Marcovaldi 1997": Paper(
        "ROSIE",
        "Marcovaldi, M. Â., Godfrey, M. H., & Mrosovsky, N. (1997). Estimating sex ratios of "
        "loggerhead turtles in Brazil from pivotal incubation durations. Canadian Journal of "
        "Zoology, 75(5), 755-770.",
    ),
    "Maxwell 1987": Paper(
        "ROSIE",
        "Maxwell, J. A. (1987). Incubation temperature and sex determination in Caretta caretta from "
        "Tongaland, Natal, South Africa (Unpublished masters thesis, University of Durban-Westville,"
        " Westville, South Africa).",
    ),
    "Mrosovsky 1988b": Paper(
        "ROSIE",
        "Mrosovsky, N. (1988). Pivotal temperatures for loggerhead turtles (Caretta caretta) from "
        "northern and southern nesting beaches. Canadian Journal of Zoology, 66(3), 661-669.",
    ),
    "Tokunaga 1991": Paper(
        "ROSIE",
        "Tokunaga, S. (1991). A preliminary observation on temperature-dependent sex determination in"
        " two species of Japanese sea turtles. Umigawe Newsletter of Japan, 7, 3-7.",
    ),
    "Tokunaga 1999": Paper(
        "ROSIE",
        "Tokunaga, S., Iwakiri, Y., & Nakajima, Y. (1999). Temperature-dependent sex determination of"
        " a sea turtle, Caretta caretta, from Miyazaki, Japan. Bulletin of the Kitakyushu Museum of "
        "Natural History, 18, 147-156.",
    ),
    "Reinhold 2017": Paper(
        "ROSIE",
        "Reinhold, L., Limpus, C. J., Limpus, D. J., & Whiting, A. U. (2017). Pivotal temperature of "
        "loggerhead sea turtles, Caretta caretta, from Dirk Hartog Island, Western Australia. Memoirs"
        " of the Queensland Museum - Nature, 60, 161-171.",
    ),
    "Woolgar 2013": Paper(
        "ROSIE",
        "Woolgar, L., Trocini, S., & Mitchell, N. (2013). Key parameters describing "
        "temperature-dependent sex determination in the southernmost population of loggerhead sea "
        "turtles. Journal of Experimental Marine Biology and Ecology, 449, 77-84.",
    ),
    "Lolavar 2017": Paper(
        "ROSIE",
        "Lolavar, A., & Wyneken, J. (2017). Experimental assessment of the effects of moisture on "
        "loggerhead sea turtle hatchling sex ratios. Zoology, 123, 64-70.",
    ),
    "Porter 2021": Paper(
        "ROSIE",
        "Porter, E., Booth, D. T., Limpus, C. J., Staines, M. N., & Smith, C. E. (2021). Influence of"
        " short-term temperature drops on sex-determination in sea turtles. Journal of Experimental "
        "Zoology Part A, 335(8), 649-658.",
    ),
    "Ligon 2009": Paper("RDD 1268", "Ligon 2009, Canadian Journal of Zoology 87:64-72"),
    "Ballen 2015": Paper("RDD 1545", "Ballen 2015, Behaviour 152:1307-1324"),
    "Gaviria-Hernández 2021": Paper(
        "ROSIE",
        "Gaviria-Hernández, J., Páez, V. P., Ramírez, D. M., & Ceballos, C. P. (2021). Embryo "
        "development and sex ratios in the red-footed tortoise (Chelonoidis carbonarius) at "
        "masculinizing temperatures. Chelonian Conservation and Biology, 20(1), 71-81.",
    ),
    "Hernández-Montoya 2017": Paper(
        "ROSIE",
        "Hernández-Montoya, V., Páez, V. P., & Ceballos, C. P. (2017). Effects of temperature on sex "
        "determination and embryonic development in the red-footed tortoise, Chelonoidis "
        "carbonarius. Chelonian Conservation and Biology, 16(2), 164-171.",
    ),
    "Gutzke 1987": Paper("RDD 1591", "Gutzke 1987, Herpetologica 43:393-404"),
    "Les 2009": Paper("RDD 1262", "Les 2009, Physiological and Biochemical Zoology 82:105-112"),
    "Paitz 2010": Paper("RDD 1340", "Paitz 2010, Canadian Journal of Zoology 88:479-486"),
    "Les 2007": Paper(
        "RDD 1261",
        "Les 2007, Journal of Experimental Zoology Part A - Ecological Genetics and Physiology 307A:274-280",
    ),
    "Du & Ji 2008": Paper("abstract", "Du & Ji 2008, incubation of Elaphe taeniura (read as an abstract)"),
    "Ewert 2004": Paper("RDD 1578", "Ewert 2004, Journal of Herpetology 38:291-295"),
    "Blumberg 2002": Paper("RDD 1034", "Blumberg 2002, Journal of Experimental Biology 205:2777-2784"),
    "Du 2003": Paper("RDD 1120", "Du 2003, Journal of Thermal Biology 28:279-286"),
    "Du 2003b": Paper("RDD 1571", "Du 2003, Journal of Thermal Biology 28:279-286"),
    "Ji 2003": Paper("RDD 1230", "Ji 2003, Journal of Zoology 261:409-416"),
    "Choo 1987": Paper("RDD 1561", "Choo 1987, Journal of Herpetology 21:230-232"),
    "Li 2013": Paper("RDD 1604", "Li 2013, Aquaculture 406-407:91-96"),
    "Kim 2017": Paper(
        "ROSIE",
        "Kim, S. H. (2017). Sex ratios of juveniles hatched by constant temperatures artificial "
        "incubation from eggs collected in the natural nest of soft-shelled turtle, Trionyx sinensis "
        "Strauch (1862). Journal of Fisheries and Marine Sciences Education, 29(3), 702-710.",
    ),
    "Oh 2017": Paper(
        "ROSIE",
        "Oh, Y. N., & Kim, S. H. (2017). Constant temperature artificial incubation of spawned eggs "
        "in natural nests from the Chinese freshwater soft-shelled turtle, Tryonyx sinensis Strauch "
        "(1862). Development & Reproduction, 21(1), 101-110.",
    ),
    "Burger 1991": Paper("RDD 1062", "Burger 1991, Behavioral Ecology and Sociobiology 28:297-303"),
    "Burger 1988": Paper("RDD 1066", "Burger 1988, American Naturalist 132:492-505"),
    "Andrews 1999": Paper("RDD 1007", "Andrews 1999, Copeia 1999:692-700"),
    "Du 2010": Paper("RDD 1135", "Du 2010, American Naturalist 176:522-528"),
    "Angilletta 2000": Paper("RDD 1015", "Angilletta 2000, Ecology 81:2957-2968"),
    "Freid 1985": Paper(
        "ROSIE",
        "Freid, R. (1985). Captive propagation and husbandry of leopard tortoises. In R. L. Gray "
        "(Ed.), Captive Propagation and Husbandry of Reptiles and Amphibians (pp. 131-137). Northern "
        "California Herpetological Society and Bay Area Amphibian and Reptile Society, California.",
    ),
    "Eendebak 2001": Paper(
        "ROSIE",
        "Eendebak, B. T. (2001). Incubation period and sex ratio of Testudo hermanni boettgeri. "
        "Prepared for presentation at the International Congress on Testudo Genus, "
        "Gonfaron-Hyeres-France, March 7-10, 2001.",
    ),
    "Eendebak 1995": Paper(
        "ROSIE",
        "Eendebak, B. T. (1995). Incubation period and sex ratio of Hermanns tortoise, Testudo "
        "hermanni boettgeri. Chelonian Conservation and Biology, 1(3), 227-231.",
    ),
    "Matsumoto 2017": Paper(
        "ROSIE",
        "Matsumoto, Y., & Crews, D. (2017). Genetic polymorphisms in aromatase (cyp19a1) are not "
        "associated with gonadal phenotypes in red-eared slider turtle hatchlings developed at a "
        "pivotal temperature. Sexual Development, 11(3), 151-160.",
    ),
    "Etchberger 1992": Paper(
        "ROSIE",
        "Etchberger, C. R., Ewert, M. A., Phillips, J. B., Nelson, C. E., & Prange, H. D. (1992). "
        "Physiological responses to carbon dioxide in embryonic red-eared slider turtles, Trachemys "
        "scripta. Journal of Experimental Zoology, 264(1), 1-10.",
    ),
    "Paitz 2010b": Paper(
        "ROSIE",
        "Paitz, R. T., Gould, A. C., Holgersson, M. C. N., & Bowden, R. M. (2010). Temperature, "
        "phenotype, and the evolution of temperature-dependent sex determination: How do natural "
        "incubations compare to laboratory incubations? Journal of Experimental Zoology B, 314(1), "
        "86-93.",
    ),
    "Phillips 1994": Paper("RDD 1352", "Phillips 1994, Biological Conservation 69:131-136"),
}
"""Every paper, by its short name."""

_TABLES: dict[str, dict[str, tuple[tuple[float, float, int | None], ...]]] = {
    "Caretta caretta": {
        "Limpus 1985": (
            (25, 89.48, 15),
            (26, 82.98, 29),
            (27, 68.29, 17),
            (27.5, 65.8, 20),
            (28, 63.18, 11),
            (30, 53.64, 26),
            (30.5, 51.96, 19),
            (31, 50.97, 22),
            (32, 47.29, 24),
        ),
        "Georges 1994": ((25.9, 80.6, 21),),
        "Harry 1989": ((26, 78, 31), (32, 48, 32)),
        "Kamezaki 1991": ((26, 73, 34), (28, 60, 35)),
        "Harry 1991": ((26.3, 78, None), (31.8, 48, None)),
        "Mrosovsky 2002": (
            (27.1, 65.6, 14),
            (27.3, 65.3, 23),
            (28.3, 57.9, 13),
            (28.5, 56.5, 35),
            (29, 54.8, 39),
            (29.2, 53.1, 21),
            (30.5, 47.1, 16),
            (30.8, 47.1, 16),
            (31, 46.3, 6),
        ),
        "Mrosovsky 1988": (
            (27.5, 65, 7),
            (28, 60.9, 29),
            (28.5, 58.2, 89),
            (28.8, 56.26, 84),
            (29.2, 53.3, 8),
            (29.5, 53.7, 91),
            (30, 51, 8),
            (30.4, 50.52, 50),
            (30.5, 48.8, 23),
        ),
        "Reid 2009": ((27.6, 62.53, 29), (30, 49.08, 29), (31.8, 44.87, 29)),
        "Mrosovsky 2002b": (
            (27.7, 65.34, 23),
            (28.7, 57.93, 13),
            (28.9, 56.55, 35),
            (29.4, 54.8, 39),
            (29.6, 53.15, 21),
            (30.9, 47.1, 16),
            (31.2, 47.05, 16),
            (31.4, 46.37, 6),
        ),
        "Marcovaldi 1997": (
            (27.9, 63.9, 16),
            (28.5, 62.8, 27),
            (29.2, 57, 42),
            (29.5, 55.8, 27),
            (29.9, 54.2, 30),
            (31.1, 50.4, 43),
        ),
        "Maxwell 1987": (
            (27.9, 65, 10),
            (29.2, 58, 12),
            (29.7, 55, 12),
            (30.2, 54, 10),
            (30.7, 52, 13),
            (31.2, 51, 12),
            (32.2, 49, 12),
            (32.8, 47, 10),
        ),
        "Mrosovsky 1988b": (
            (28, 65, 7),
            (28.5, 60.9, 29),
            (29, 58.2, 89),
            (29.3, 56.26, 84),
            (29.7, 53.3, 8),
            (30, 53.7, 91),
            (30.5, 51, 8),
            (30.9, 50.52, 50),
            (31, 48.8, 23),
        ),
        "Tokunaga 1991": ((28, 66.3, 39), (29, 56.5, 64), (30, 53.4, 49), (31, 50, 36)),
        "Tokunaga 1999": ((28, 64.85, 39), (29, 56.9, 23), (30, 53.01, 49), (31, 49.42, 36)),
        "Reinhold 2017": ((29, 60, 12),),
        "Woolgar 2013": ((29.02, 53, 11), (29.09, 49, 8)),
        "Lolavar 2017": ((29.4, 58.84, 393), (29.5, 60.9, 202)),
        "Porter 2021": ((30, 52, 8),),
    },
    "Centrochelys sulcata": {
        "Ligon 2009": (
            (28.5, 110.8, 17),
            (29.5, 96.4, 16),
            (30.5, 88.5, 17),
            (31.5, 83.6, 16),
            (32.5, 78.3, 15),
        ),
    },
    "Chamaeleo calyptratus": {
        "Ballen 2015": ((25, 253.4, 39), (28, 227.49, 26)),
    },
    "Chelonoidis carbonarius": {
        "Gaviria-Hernández 2021": ((24.3, 214, 27), (26, 165, 24), (27.9, 138, 24)),
        "Hernández-Montoya 2017": ((28.8, 131, 25), (31, 124, 5)),
    },
    "Chrysemys picta": {
        "Gutzke 1987": ((22, 98, 21), (27, 52.46, 48), (32, 43.67, 34)),
        "Les 2009": ((23, 102, 22), (31, 48, 24)),
        "Paitz 2010": ((27, 60.12, 24),),
        "Les 2007": ((28.5, 56.04, 28),),
    },
    "Elaphe taeniura": {
        "Du & Ji 2008": (
            (22, 101.7, None),
            (24, 86, None),
            (27, 66.3, None),
            (30, 53.9, None),
            (32, 50.5, None),
        ),
    },
    "Malacochersus tornieri": {
        "Ewert 2004": ((27, 113.4, 5), (28, 101.9, 13), (29, 94.6, 14), (30, 91.9, 9), (32, 81.1, 19)),
    },
    "Paroedura picta": {
        "Blumberg 2002": ((23, 127.43, 20), (26, 79.25, 23), (30, 48.96, 24)),
    },
    "Pelodiscus sinensis": {
        "Du 2003": (
            (23, 97.2, 22),
            (24, 88.6, 19),
            (26.5, 66.1, 32),
            (27, 63.4, 31),
            (28, 56.3, 27),
            (30, 45.7, 61),
            (32, 42, 33),
            (33, 40.4, 33),
            (34, 39.4, 14),
        ),
        "Du 2003b": (
            (23, 97.2, 22),
            (24, 88.6, 19),
            (26.5, 66.1, 32),
            (27, 63.4, 31),
            (28, 56.3, 27),
            (30, 45.7, 61),
            (32, 42, 49),
            (33, 40.4, 33),
            (34, 39.4, 14),
        ),
        "Ji 2003": ((24, 88.7, 22), (28, 52.8, 28), (30, 47.4, 25), (34, 39.4, 34)),
        "Choo 1987": ((25, 67, 41), (28, 50, 46), (31, 44, 41), (34, 40, 20)),
        "Li 2013": ((30, 49.6, 29),),
        "Kim 2017": ((31.2, 54.13, 15), (32.1, 48.33, 12)),
        "Oh 2017": ((31.2, 53.77, 13), (32.1, 48.69, 16)),
    },
    "Pituophis melanoleucus": {
        "Burger 1991": (
            (21, 103, 19),
            (22, 101, 29),
            (23, 92.53, 157),
            (26, 73.4, 72),
            (28, 63.22, 204),
            (30, 60, 39),
            (32, 58, 62),
            (33, 54.14, 116),
        ),
        "Burger 1988": (
            (23, 92.17, 116),
            (26, 73, 37),
            (28, 62.92, 164),
            (30, 60, 38),
            (32, 58.3, 48),
            (33, 54.4, 55),
        ),
    },
    "Sceloporus undulatus": {
        "Andrews 1999": ((23, 85, 13), (25, 66, 14), (28, 48, 12), (30, 39, 14), (33, 35, 14)),
        "Du 2010": ((25, 68.01, 121), (28, 48.32, 119)),
        "Angilletta 2000": ((28, 54.7, 15), (30, 47.6, 15), (32, 40.5, 15), (34, 40, 15)),
    },
    "Stigmochelys pardalis": {
        "Freid 1985": ((29.4, 137.3, 40),),
    },
    "Testudo hermanni": {
        "Eendebak 2001": (
            (24, 88.3, 4),
            (25, 82, 2),
            (26, 83.1, 7),
            (27, 72, 3),
            (28, 66.4, 17),
            (30, 57.8, 24),
            (31, 57.4, 42),
            (32, 55.3, 15),
            (33, 56, 142),
            (34, 55.4, 18),
        ),
        "Eendebak 1995": (
            (25, 82, 2),
            (26, 83, 7),
            (28, 65.7, 20),
            (30, 57.8, 31),
            (31, 57.7, 48),
            (32, 55.6, 64),
            (33, 56.1, 101),
            (34, 56.4, 26),
        ),
    },
    "Trachemys scripta": {
        "Les 2009": ((23, 133.9, 44), (31, 50.1, 40)),
        "Matsumoto 2017": ((25.74, 82, None), (29.16, 69, None), (30.97, 63, None)),
        "Etchberger 1992": ((27.7, 64.9, 11), (29, 58.3, 29), (30, 56.1, 10)),
        "Les 2007": ((28.5, 61, 55),),
        "Paitz 2010b": ((29.1, 53.2, 25),),
    },
    "Varanus albigularis": {
        "Phillips 1994": ((27, 153.67, 60), (29, 138.5, 60), (31, 128, 60)),
    },
}
"""Species, paper: (temperature in °C, mean days, eggs)."""


def species_with_durations() -> tuple[str, ...]:
    """Give the scientific names that have published durations, in order."""
    return tuple(_TABLES)


def durations(species: str) -> tuple[Duration, ...]:
    """Give the published durations of a species, by paper; none where there are none.

    Args:
        species: Scientific name.
    """
    tables = _TABLES.get(species, {})
    return tuple(Duration(float(t), float(d), n, paper) for paper, rows in tables.items() for t, d, n in rows)


def papers_of(species: str) -> tuple[str, ...]:
    """Give the short names of the papers that tell of a species."""
    return tuple(_TABLES.get(species, {}))


def citations(species: str) -> tuple[str, ...]:
    """Give the full citations behind a species' durations."""
    return tuple(PAPERS[paper].citation for paper in papers_of(species))
