"""NIST Statistical Reference Datasets, linear regression (ITL, National Institute of Standards and
Technology): certified estimates and standard deviations through the package's own fitting code.

Data and certified values of Norris were read in two independent test suites, the others in one
public copy of the data files each. Tolerances: well-conditioned sets to 9 digits or more, the
ill-conditioned ones (Longley, Filip, Wampler) to what double precision leaves of 16 digits.
"""

import numpy as np
import pytest

from spreadplan.calibration.fit import fit_line, weighted_least_squares


def numbers(text: str) -> np.ndarray:
    return np.array(text.split(), dtype=float)


NORRIS = numbers("""
0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5 668.5 666.3 998.5 996.3
449.1 448.6 778.9 777.0 559.2 558.2 0.3 0.4 0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0
448.9 447.5 10.8 11.6 557.7 556.0 228.3 228.1 998.0 995.8 888.8 887.6 119.6 120.2 0.3 0.3
0.6 0.3 557.6 556.8 339.3 339.1 888.0 887.2 998.5 999.0 778.9 779.0 10.2 11.1 117.6 118.3
228.9 229.2 668.4 669.1 449.2 448.9 0.2 0.5
""").reshape(-1, 2)

PONTIUS_LOAD = np.tile(np.arange(150000.0, 3000001.0, 150000.0), 2)
PONTIUS_DEFLECTION = numbers("""
.11019 .21956 .32949 .43899 .54803 .65694 .76562 .87487 .98292 1.09146 1.20001 1.30822 1.41599
1.52399 1.63194 1.73947 1.84646 1.95392 2.06128 2.16844 .11052 .22018 .32939 .43886 .54798 .65739
.76596 .87474 .98300 1.09150 1.20004 1.30818 1.41613 1.52408 1.63159 1.73965 1.84696 1.95445
2.06177 2.16829
""")

LONGLEY = numbers("""
60323 83.0 234289 2356 1590 107608 1947 61122 88.5 259426 2325 1456 108632 1948
60171 88.2 258054 3682 1616 109773 1949 61187 89.5 284599 3351 1650 110929 1950
63221 96.2 328975 2099 3099 112075 1951 63639 98.1 346999 1932 3594 113270 1952
64989 99.0 365385 1870 3547 115094 1953 63761 100.0 363112 3578 3350 116219 1954
66019 101.2 397469 2904 3048 117388 1955 67857 104.6 419180 2822 2857 118734 1956
68169 108.4 442769 2936 2798 120445 1957 66513 110.8 444546 4681 2637 121950 1958
68655 112.6 482704 3813 2552 123366 1959 69564 114.2 502601 3931 2514 125368 1960
69331 115.7 518173 4806 2572 127852 1961 70551 116.9 554894 4007 2827 130081 1962
""").reshape(-1, 7)

FILIP = numbers("""
0.8116 -6.860120914 0.9072 -4.324130045 0.9052 -4.358625055 0.9039 -4.358426747
0.8053 -6.955852379 0.8377 -6.661145254 0.8667 -6.355462942 0.8809 -6.118102026
0.7975 -7.115148017 0.8162 -6.815308569 0.8515 -6.519993057 0.8766 -6.204119983
0.8885 -5.853871964 0.8859 -6.109523091 0.8959 -5.79832982 0.8913 -5.482672118
0.8959 -5.171791386 0.8971 -4.851705903 0.9021 -4.517126416 0.909 -4.143573228
0.9139 -3.709075441 0.9199 -3.499489089 0.8692 -6.300769497 0.8872 -5.953504836
0.89 -5.642065153 0.891 -5.031376979 0.8977 -4.680685696 0.9035 -4.329846955
0.9078 -3.928486195 0.7675 -8.56735134 0.7705 -8.363211311 0.7713 -8.107682739
0.7736 -7.823908741 0.7775 -7.522878745 0.7841 -7.218819279 0.7971 -6.920818754
0.8329 -6.628932138 0.8641 -6.323946875 0.8804 -5.991399828 0.7668 -8.781464495
0.7633 -8.663140179 0.7678 -8.473531488 0.7697 -8.247337057 0.77 -7.971428747
0.7749 -7.676129393 0.7796 -7.352812702 0.7897 -7.072065318 0.8131 -6.774174009
0.8498 -6.478861916 0.8741 -6.159517513 0.8061 -6.835647144 0.846 -6.53165267
0.8751 -6.224098421 0.8856 -5.910094889 0.8919 -5.598599459 0.8934 -5.290645224
0.894 -4.974284616 0.8957 -4.64454848 0.9047 -4.290560426 0.9129 -3.885055584
0.9209 -3.408378962 0.9219 -3.13200249 0.7739 -8.726767166 0.7681 -8.66695597
0.7665 -8.511026475 0.7703 -8.165388579 0.7702 -7.886056648 0.7761 -7.588043762
0.7809 -7.283412422 0.7961 -6.995678626 0.8253 -6.691862621 0.8602 -6.392544977
0.8809 -6.067374056 0.8301 -6.684029655 0.8664 -6.378719832 0.8834 -6.065855188
0.8898 -5.752272167 0.8964 -5.132414673 0.8963 -4.811352704 0.9074 -4.098269308
0.9119 -3.66174277 0.9228 -3.2644011
""").reshape(-1, 2)

WAMPLER_X = np.arange(21.0)
WAMPLER = {
    1: numbers("""
1 6 63 364 1365 3906 9331 19608 37449 66430 111111 177156 271453 402234 579195 813616 1118481
1508598 2000719 2613660 3368421
"""),
    2: numbers("""
1.00000 1.11111 1.24992 1.42753 1.65984 1.96875 2.38336 2.94117 3.68928 4.68559 6.00000 7.71561
9.92992 12.75603 16.32384 20.78125 26.29536 33.05367 41.26528 51.16209 63.00000
"""),
    3: numbers("""
760 -2042 2111 -1684 3888 1858 11379 17560 39287 64382 113159 175108 273291 400186 581243 811568
1121004 1506550 2002767 2611612 3369180
"""),
    4: numbers("""
75901 -204794 204863 -204436 253665 -200894 214131 -185192 221249 -138370 315911 -27644 455253
197434 783995 608816 1370781 1303798 2205519 2408860 3444321
"""),
}
WAMPLER3_SD = numbers("""
2152.32624678170 2363.55173469681 779.343524331583 101.475507550350 5.64566512170752
0.112324854679312
""")


def polynomial(x: np.ndarray, degree: int) -> np.ndarray:
    return np.vander(x, degree + 1, increasing=True)


def unweighted(design: np.ndarray, response: np.ndarray):
    return weighted_least_squares(design, response, np.ones(len(response)))


def test_norris():
    line = fit_line(NORRIS[:, 1], NORRIS[:, 0])
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-11)
    assert line.intercept_u == pytest.approx(0.232818234301152, rel=1e-11)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-13)
    assert line.slope_u == pytest.approx(0.000429796848199937, rel=1e-11)
    assert line.residual_sd == pytest.approx(0.884796396144373, rel=1e-11)


def test_pontius():
    fit = unweighted(polynomial(PONTIUS_LOAD, 2), PONTIUS_DEFLECTION)
    certified = [0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14]
    certified_sd = [0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16]
    assert fit.values == pytest.approx(certified, rel=1e-10, abs=0.0)
    assert fit.standard_u == pytest.approx(certified_sd, rel=1e-10, abs=0.0)
    assert np.sqrt(fit.scale) == pytest.approx(0.205177424076185e-03, rel=1e-10)


def test_noint1():
    x = np.arange(60.0, 71.0)
    fit = unweighted(x[:, None], np.arange(130.0, 141.0))
    assert fit.values == pytest.approx([2.07438016528926], rel=1e-13)
    assert fit.standard_u == pytest.approx([0.165289256198347e-01], rel=1e-13)
    assert np.sqrt(fit.scale) == pytest.approx(3.56753034006338, rel=1e-13)


def test_noint2():
    fit = unweighted(np.array([[4.0], [5.0], [6.0]]), np.array([3.0, 4.0, 4.0]))
    assert fit.values == pytest.approx([0.727272727272727], rel=1e-13)
    assert fit.standard_u == pytest.approx([0.420827318078432e-01], rel=1e-12)
    assert np.sqrt(fit.scale) == pytest.approx(0.369274472937998, rel=1e-12)


def test_longley():
    fit = unweighted(np.column_stack([np.ones(16), LONGLEY[:, 1:]]), LONGLEY[:, 0])
    certified = numbers("""
-3482258.63459582 15.0618722713733 -0.358191792925910e-01 -2.02022980381683 -1.03322686717359
-0.511041056535807e-01 1829.15146461355
""")
    certified_sd = numbers("""
890420.383607373 84.9149257747669 0.334910077722432e-01 0.488399681651699 0.214274163161675
0.226073200069370 455.478499142212
""")
    # Condition number 4e4 after scaling the columns.
    assert fit.values == pytest.approx(certified, rel=1e-9, abs=0.0)
    assert fit.standard_u == pytest.approx(certified_sd, rel=1e-9, abs=0.0)
    assert np.sqrt(fit.scale) == pytest.approx(304.854073561965, rel=1e-11)


def test_filip():
    fit = unweighted(polynomial(FILIP[:, 1], 10), FILIP[:, 0])
    certified = numbers("""
-1467.48961422980 -2772.17959193342 -2316.37108160893 -1127.97394098372 -354.478233703349
-75.1242017393757 -10.8753180355343 -1.06221498588947 -0.670191154593408e-01
-0.246781078275479e-02 -0.402962525080404e-04
""")
    certified_sd = numbers("""
298.084530995537 559.779865474950 466.477572127796 227.204274477751 71.6478660875927
15.2897178747400 2.23691159816033 0.221624321934227 0.142363763154724e-01
0.535617408889821e-03 0.896632837373868e-05
""")
    # Tenth-degree polynomial, condition number about 1e10: six digits are what is left.
    assert fit.values == pytest.approx(certified, rel=1e-6, abs=0.0)
    assert fit.standard_u == pytest.approx(certified_sd, rel=1e-6, abs=0.0)


@pytest.mark.parametrize(
    ("number", "certified", "certified_sd"),
    [
        (1, np.ones(6), np.zeros(6)),
        (2, 0.1 ** np.arange(6), np.zeros(6)),
        (3, np.ones(6), WAMPLER3_SD),
        (4, np.ones(6), 100.0 * WAMPLER3_SD),
    ],
)
def test_wampler(number: int, certified: np.ndarray, certified_sd: np.ndarray):
    fit = unweighted(polynomial(WAMPLER_X, 5), WAMPLER[number])
    # Condition number 5e3 after scaling; sets 3 and 4 have residuals of up to 2e5, so an estimate
    # of one is known to 1e-16 of those times the condition.
    assert fit.values == pytest.approx(certified, rel=1e-6)
    assert fit.standard_u == pytest.approx(certified_sd, rel=1e-9, abs=1e-8)
