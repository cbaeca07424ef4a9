"""Rate models fitted to the published durations, so that nothing is fitted at run time.

A test refits every one of them, with our fitter and with a numerics library.
"""

from dataclasses import dataclass

from rules.incubation.rates import Briere, Linear, RateModel


@dataclass(frozen=True, slots=True)
class Published:
    """A model from published durations.

    Attributes:
        model: The rate by temperature.
        low: Coldest tested temperature, °C.
        high: Warmest tested temperature, °C.
        sigma: σ of ln(days) between papers (see ``doubt.of_papers``).
    """

    model: RateModel
    low: float
    high: float
    sigma: float


PUBLISHED: dict[str, Published] = {
    "Caretta caretta": Published(Briere(0.60967, 18.6886, 39.2872), 25, 32.8, 0.070),
    "Centrochelys sulcata": Published(Briere(0.47330, 22.0308, 37.9052), 28.5, 32.5, 0.100),
    "Chamaeleo calyptratus": Published(Linear(8.000, 4427.146), 25, 28, 0.100),
    "Chelonoidis carbonarius": Published(Briere(0.08175, 18.8349, 34.8713), 24.3, 31, 0.083),
    "Chrysemys picta": Published(Linear(14.237, 780.849), 22, 32, 0.086),
    "Elaphe taeniura": Published(Linear(12.638, 958.875), 22, 32, 0.100),
    "Malacochersus tornieri": Published(Linear(13.822, 1467.268), 27, 32, 0.100),
    "Paroedura picta": Published(Linear(18.563, 570.741), 23, 30, 0.100),
    "Pelodiscus sinensis": Published(Linear(15.775, 703.241), 23, 34, 0.094),
    "Pituophis melanoleucus": Published(Briere(-0.35264, 7.4689, 42.3680), 21, 33, 0.084),
    "Sceloporus undulatus": Published(Linear(15.032, 667.454), 23, 34, 0.088),
    "Stigmochelys pardalis": Published(Linear(16.000, 1839.820), 29.4, 29.4, 0.100),
    "Testudo hermanni": Published(Briere(0.10357, 13.5895, 39.4407), 24, 34, 0.085),
    "Trachemys scripta": Published(Linear(18.005, 653.683), 23, 31, 0.093),
    "Varanus albigularis": Published(Linear(8.000, 2924.008), 27, 31, 0.100),
}
"""By scientific name; the durations and their papers are in ``rules.durations``."""
