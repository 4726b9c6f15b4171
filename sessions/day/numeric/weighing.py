"""Blood drawn, from the weight of its bag: grams are not millilitres.

Density of blood = 1.026 + 0.067·Hct g/mL: the line through the densities of plasma and whole blood at 4 and 37 °C of
Trudnowski RJ, Rico RC, Clin Chem 1974;20:615-6, taken half-way between the two temperatures; the coefficients are from
memory and agree with those figures to 0.6 %. Hct is Hb over the concentration of haemoglobin in red cells, never
three times Hb: that rule misleads at low values (Carneiro IA et al., Malar J 2007;6:67).
"""

MCHC_G_L = 334.0
"""Haemoglobin in a litre of red cells, a usual value in adults; from memory. Between 320 and 350 it moves the volume of
a bag by less than 0.3 %. [g/L]"""

LIGHTEST_BAG_G, HEAVIEST_BAG_G = 20.0, 1000.0


def blood_density_g_ml(hb_g_l: float) -> float:
    """Return the density of blood with this haemoglobin. [g/mL]"""
    return 1.026 + 0.067 * hb_g_l / MCHC_G_L


def drawn_ml(*, gross_g: float, tare_g: float, hb_g_l: float) -> float:
    """Return the volume of blood in a bag: (gross − tare) / density. [mL]

    gross_g: bag with blood. tare_g: the same kind of bag, empty. hb_g_l: of the blood drawn.
    Raises: ValueError where the bag weighs no more than an empty one.
    """
    if gross_g <= tare_g:
        raise ValueError(
            f"{gross_g:g} g is no more than the empty bag ({tare_g:g} g); weigh it again, or choose the kind of bag."
        )
    return (gross_g - tare_g) / blood_density_g_ml(hb_g_l)


def off_by_ml(out_ml: float, hb_g_l: float) -> float:
    """Return by how much `out_ml` of blood would be over-stated if 1 g were taken for 1 mL. [mL]"""
    return out_ml * (blood_density_g_ml(hb_g_l) - 1.0)
