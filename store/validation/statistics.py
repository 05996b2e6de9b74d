"""Statistical reference data of NIST StRD (public domain): univariate sets and the two first-order fits."""

from __future__ import annotations

import numpy as np

from store.signal.heatfit import fit_first_order, judged
from store.signal.statistics import lag_one, moments
from store.validation.cases import Case, number_case, word_case

__all__ = ["statistics_cases"]

UNIVARIATE = "NIST StRD, univariate, certified"
NONLINEAR = "NIST StRD, nonlinear, certified"
MAVRO = (
    "180 170 180 190 180 170 150 140 150 150 170 180 180 190 190 210 200 160 140 130 130 150 150 160 150 140 130 140 "
    "150 140 150 160 150 160 190 200 200 210 220 230 240 250 270 260 260 260 270 260 250 240"
)
MISRA_X = (77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0)
MISRA_Y = (10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78)
BOX_X, BOX_Y = (1.0, 2.0, 3.0, 5.0, 7.0, 10.0), (109.0, 149.0, 149.0, 191.0, 213.0, 224.0)


def statistics_cases() -> list[Case]:
    """NumAcc1 to 4, Mavro, Misra1a, BoxBOD."""
    return [*_univariate(), *_misra1a(), *_boxbod()]


def _univariate() -> list[Case]:
    mavro = 2.0 + 1e-5 * np.array([float(word) for word in MAVRO.split()])
    sets = (
        ("NumAcc1", np.array([10000001.0, 10000003.0, 10000002.0]), 10000002.0, 1.0, -0.5),
        ("NumAcc2", np.array([1.2, *(1.1, 1.3) * 500]), 1.2, 0.1, -0.999),
        ("NumAcc3", np.array([1000000.2, *(1000000.1, 1000000.3) * 500]), 1000000.2, 0.1, -0.999),
        ("NumAcc4", np.array([10000000.2, *(10000000.1, 10000000.3) * 500]), 10000000.2, 0.1, -0.999),
        ("Mavro", mavro, 2.001856, 0.000429123454003053, 0.937989183438248),
    )
    cases = []
    for name, y, mean, sd, lag in sets:
        found = moments(y, np.ones(len(y)))
        # at 1e7 a double holds the data themselves only to 2e-9 of their spread's tenth
        cases += [
            number_case(f"{name}: mean", UNIVARIATE, mean, found.mean, share=1e-14),
            number_case(f"{name}: standard deviation", UNIVARIATE, sd, found.sd, share=1e-8),
            number_case(f"{name}: lag-1 correlation", UNIVARIATE, lag, lag_one(y), share=1e-7),
        ]
    return cases


def _misra1a() -> list[Case]:
    fit = fit_first_order(np.array(MISRA_X), np.array(MISRA_Y), start=0.0)
    return [
        number_case("Misra1a: b1", NONLINEAR, 2.3894212918e2, fit.rise, share=1e-8),
        number_case("Misra1a: b2", NONLINEAR, 5.5015643181e-4, 1.0 / fit.tau, share=1e-8),
        number_case("Misra1a: sd of b1", NONLINEAR, 2.7070075241, fit.rise_se, share=1e-6),
        number_case("Misra1a: sd of b2", NONLINEAR, 7.2668688436e-6, fit.tau_se / fit.tau**2, share=1e-6),
        number_case("Misra1a: residual sum of squares", NONLINEAR, 1.2455138894e-1, fit.residual_ss, share=1e-8),
        word_case("Misra1a: covers 0.42 of a time constant", NONLINEAR, "short", "short" if fit.is_short else "long"),
    ]


def _boxbod() -> list[Case]:
    x, y = np.array(BOX_X), np.array(BOX_Y)
    fit = fit_first_order(x, y, start=0.0)
    lost = judged(x, y, rise=172.5, tau=1.0 / 110.9)
    return [
        number_case("BoxBOD: b1", NONLINEAR, 2.1380940889e2, fit.rise, share=1e-7),
        number_case("BoxBOD: b2", NONLINEAR, 5.4723748542e-1, 1.0 / fit.tau, share=1e-7),
        number_case("BoxBOD: sd of b1", NONLINEAR, 1.2354515176e1, fit.rise_se, share=1e-5),
        number_case("BoxBOD: sd of b2", NONLINEAR, 1.0455993237e-1, fit.tau_se / fit.tau**2, share=1e-5),
        word_case(
            "BoxBOD: where its first start leads an optimiser",
            "SciPy's curve_fit ends at (172.5, 110.9) with no covariance",
            "refused",
            "refused" if lost.refusal else "believed",
        ),
    ]
