"""Density of water, sucrose solutions, ethanol-water and beer at atmospheric pressure, kg/m³.

Every function takes one number or an array of numbers. It checks no range: that is the caller's, who knows the remedy.
Single-letter names are those of the equation that the docstring cites.
"""

from __future__ import annotations

from gylewatch.units import Number

# Masaru Tanaka et al., Metrologia 38, 301-309, 2001, equation 1 and table 1.
_TANAKA_A = (-3.983035, 301.797, 522528.9, 69.34881, 999.974950)

# Water density that belongs to ICUMSA SPS-4 (Kell's form on ITS-90): k0..k5 and the denominator's kd.
_KELL_K = (999.83952, 16.952577, -7.9905127e-3, -46.241757e-6, 105.84601e-9, -281.03006e-12)
_KELL_KD = 16.887236e-3

# ICUMSA SPS-4 (1998); Bettin, Emmerich, Spieweck, Toth, Zuckerindustrie 123, 1998. Row i multiplies ((t - 20)/100)^i,
# entry k multiplies w^(k+1). a04 is printed as -3.9646 in one public text: below 40 % that is less than 1e-5 kg/m³.
_SUCROSE = (
    (385.1761, 135.3705, 40.9299, -3.9643, 13.4853, -17.289),
    (-46.272, -7.172, 1.1597, 5.1126, 17.5254),
    (59.7712, 7.2491, 12.363, -35.4791),
    (-47.2207, -21.6977, 27.6301),
    (18.3184, 12.3081),
)

# OIML R 22 (1975), International alcoholometric tables: _A[k] multiplies p^k, _B[k] multiplies (t - 20)^(k+1),
# _C[i][k] multiplies p^(k+1) (t - 20)^(i+1).
_A = (
    998.20123,
    -192.9769495,
    389.1238958,
    -1668.103923,
    13522.15441,
    -88292.78388,
    306287.4042,
    -613838.1234,
    747017.2998,
    -547846.1354,
    223446.0334,
    -39032.85426,
)
_B = (-0.20618513, -0.0052682542, 3.6130013e-05, -3.8957702e-07, 7.169354e-09, -9.9739231e-11)
_C = (
    (
        0.1693443461530087,
        -10.46914743455169,
        71.96353469546523,
        -704.7478054272792,
        3924.090430035045,
        -12101.64659068747,
        22486.46550400788,
        -26055.62982188164,
        18523.73922069467,
        -7420.201433430137,
        1285.617841998974,
    ),
    (
        -0.0119301300505701,
        0.2517399633803461,
        -2.170575700536993,
        13.53034988843029,
        -50.29988758547014,
        109.635566657757,
        -142.2753946421155,
        108.043594285623,
        -44.14153236817392,
        7.442971530188783,
    ),
    (
        -0.0006802995733503803,
        0.01876837790289664,
        -0.2002561813734156,
        1.02299296671922,
        -2.895696483903638,
        4.810060584300675,
        -4.672147440794683,
        2.458043105903461,
        -0.5411227621436812,
    ),
    (4.075376675622027e-06, -8.76305857347111e-06, 6.515031360099368e-06, -1.51578483698721e-06),
    (-2.788074354782409e-08, 1.345612883493354e-08),
)


def water_density(temperature_c: Number) -> Number:
    """Density of air-free water, kg/m³.

    Parameters
    ----------
    temperature_c : °C, 0..40

    Source: Tanaka et al., Metrologia 38, 301-309, 2001, equation 1; standard uncertainty below 0.001 kg/m³.
    """
    a1, a2, a3, a4, a5 = _TANAKA_A
    t = temperature_c
    return a5 * (1.0 - (t + a1) * (t + a1) * (t + a2) / (a3 * (t + a4)))


def water_density_kell(temperature_c: Number) -> Number:
    """Density of water in the form that belongs to the ICUMSA sucrose densities, kg/m³.

    Parameters
    ----------
    temperature_c : °C, 0..100

    Source: Kell's form on ITS-90 as used with ICUMSA SPS-4 (1998); within 0.007 kg/m³ of Tanaka over 0..40 °C.
    """
    k0, k1, k2, k3, k4, k5 = _KELL_K
    t = temperature_c
    return (((((k5 * t + k4) * t + k3) * t + k2) * t + k1) * t + k0) / (1.0 + _KELL_KD * t)


def sucrose_density(sucrose: Number, temperature_c: Number) -> Number:
    """Density of a solution of pure sucrose in water, kg/m³.

    Parameters
    ----------
    sucrose : mass fraction, 0..0.4 here (source: up to 1); slightly negative values continue smoothly and serve a
        hydrometer that sinks below the mark of water
    temperature_c : °C, 0..80

    Source: ICUMSA SPS-4 (1998), polynomial of Bettin et al., Zuckerindustrie 123, 1998.
    """
    return water_density_kell(temperature_c) + _sucrose_excess(sucrose, temperature_c)


def ethanol_water_density(ethanol: Number, temperature_c: Number) -> Number:
    """Density of a mixture of ethanol and water, kg/m³.

    Parameters
    ----------
    ethanol : mass fraction, 0..1
    temperature_c : °C, -20..40

    Source: OIML R 22 (1975), International alcoholometric tables, general formula.
    """
    u = temperature_c - 20.0
    b1, b2, b3, b4, b5, b6 = _B
    water = _A[0] + u * (b1 + u * (b2 + u * (b3 + u * (b4 + u * (b5 + u * b6)))))
    return water + _ethanol_excess(ethanol, temperature_c)


def beer_density(ethanol: Number, extract: Number, temperature_c: Number) -> Number:
    """Density of beer as a mixture of water, ethanol and extract, kg/m³.

    Mixing rule: the departures from water add up, rho = rho_sucrose + rho_ethanol - rho_water, where each partner is a
    solution in water alone that holds as much sucrose, or ethanol, per volume as the beer does. Assumed: real extract
    expands like sucrose; carbon dioxide and air are left out (a float's and an instrument's beer holds at most 5 g/kg).

    Parameters
    ----------
    ethanol, extract : mass of each per kg of its own partner solution, see `partner_fractions`
    temperature_c : °C, 0..40

    Source: Tabarié's relation d_residue = d_beer - d_distillate + 1, as in OIV-MA-AS2-03B (total dry matter),
    with the densities of ICUMSA SPS-4 and OIML R 22.
    """
    return (
        water_density_kell(temperature_c)
        + _sucrose_excess(extract, temperature_c)
        + _ethanol_excess(ethanol, temperature_c)
    )


def _sucrose_excess(w: Number, temperature_c: Number) -> Number:
    u = (temperature_c - 20.0) * 0.01
    (a1, a2, a3, a4, a5, a6), (b1, b2, b3, b4, b5), (c1, c2, c3, c4), (d1, d2, d3), (e1, e2) = _SUCROSE
    return w * (
        (a1 + w * (a2 + w * (a3 + w * (a4 + w * (a5 + w * a6)))))
        + u
        * (
            (b1 + w * (b2 + w * (b3 + w * (b4 + w * b5))))
            + u * ((c1 + w * (c2 + w * (c3 + w * c4))) + u * ((d1 + w * (d2 + w * d3)) + u * (e1 + w * e2)))
        )
    )


def _ethanol_excess(p: Number, temperature_c: Number) -> Number:
    u = temperature_c - 20.0
    total = 0.0 * p * u
    for row in reversed(_C):
        total = (total + _horner(row, p)) * u
    return (total + _horner(_A[1:], p)) * p


def _horner(coefficients: tuple[float, ...], p: Number) -> Number:
    total = 0.0 * p
    for coefficient in reversed(coefficients):
        total = total * p + coefficient
    return total
