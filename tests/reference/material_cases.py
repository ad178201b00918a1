"""Solvers for the cases about the material: units, grade and recovery, blends and screen assay, sampling theory.

A solver is found by its topic and the names of the inputs, so that a new case of the same form runs without new code. It
only carries the case's units and names to the function under `prospecting/calc` and back.
"""

import random
from collections.abc import Callable

from prospecting.calc import grade, lineage, sampling, units

SOLVERS: dict[tuple[str, frozenset[str]], Callable[[dict], dict]] = {}

MASS_UNITS = {
    "troy_ounce": "ozt",
    "pennyweight": "dwt",
    "grain": "grain",
    "avoirdupois_pound": "lb",
    "avoirdupois_ounce": "oz",
    "short_ton": "short_ton",
    "long_ton": "long_ton",
    "metric_ton": "t",
}
VOLUME_UNITS = {
    "us_teaspoon": "tsp",
    "us_tablespoon": "tbsp",
    "us_cup": "cup",
    "us_fluid_ounce": "fl_oz",
    "us_quart": "quart",
    "us_gallon": "gal",
}


def solves(topic: str, inputs: str) -> Callable:
    """Register the function below for a topic and the names of its inputs."""

    def register(solver: Callable[[dict], dict]) -> Callable[[dict], dict]:
        key = (topic, frozenset(inputs.split()))
        assert key not in SOLVERS, f"two solvers for {key}"
        SOLVERS[key] = solver
        return solver

    return register


@solves("units", " ".join(MASS_UNITS))
def masses_in_grams(inputs: dict) -> dict:
    return {f"{name}_g": units.convert_mass(value, MASS_UNITS[name], "g") for name, value in inputs.items()}


@solves("units", "troy_oz_per_short_ton")
def short_ton_grade(inputs: dict) -> dict:
    value = inputs["troy_oz_per_short_ton"]
    return {
        unit: units.convert_grade(value, "ozt_per_short_ton", unit)
        for unit in ("g_per_t", "ppm", "ppb", "percent")
    }


@solves("units", "troy_oz_per_long_ton")
def long_ton_grade(inputs: dict) -> dict:
    return {"g_per_t": units.convert_grade(inputs["troy_oz_per_long_ton"], "ozt_per_long_ton", "g_per_t")}


@solves("units", "short_ton long_ton")
def tons_in_troy_ounces(inputs: dict) -> dict:
    return {f"{ton}_troy_oz": units.convert_mass(value, ton, "ozt") for ton, value in inputs.items()}


@solves("units", "gold_bead_mg ore_mass_g")
def bead_per_long_ton(inputs: dict) -> dict:
    g_per_t = grade.grade_g_per_t(inputs["gold_bead_mg"], inputs["ore_mass_g"])
    ounces = units.convert_grade(g_per_t, "g_per_t", "ozt_per_long_ton")
    pennyweights = units.convert_mass(ounces % 1, "ozt", "dwt")
    return {
        "g_per_t": g_per_t,
        "troy_oz_per_long_ton": ounces,
        "whole_oz": int(ounces),
        "whole_dwt": int(pennyweights),
        "remaining_grains": units.convert_mass(pennyweights % 1, "dwt", "grain"),
    }


@solves("units", "ton")
def assay_tons(inputs: dict) -> dict:
    known = {"short": units.SHORT_ASSAY_TON_G, "long": units.LONG_ASSAY_TON_G}
    return {f"{ton}_assay_ton_g": known[ton] for ton in inputs["ton"].split(" and ")}


@solves("units", " ".join(VOLUME_UNITS))
def volumes_in_millilitres(inputs: dict) -> dict:
    return {
        f"{name}_ml": units.convert_volume(value, VOLUME_UNITS[name], "mL") for name, value in inputs.items()
    }


@solves("units", "teaspoon us_gallon")
def spoons_per_gallon(inputs: dict) -> dict:
    dose = units.parse_dose(f"{inputs['teaspoon']} tsp in {inputs['us_gallon']} gal").ml_per_l
    return {"ml_per_l": dose, "volume_ppm_v_v": units.convert_dose(dose, "ml_per_l", "ppm")}


@solves("units", "karat alloy_mass_g")
def karat_gold(inputs: dict) -> dict:
    fineness = grade.fineness_of_karat(inputs["karat"])
    return {
        "fineness_per_mille": 1000 * fineness,
        "fine_gold_g": grade.fine_gold(inputs["alloy_mass_g"], fineness),
    }


@solves("units", "ore_mass_lb grade_troy_oz_per_short_ton")
def gold_in_pounds_of_ore(inputs: dict) -> dict:
    ore_g = units.convert_mass(inputs["ore_mass_lb"], "lb", "g")
    g_per_t = units.convert_grade(inputs["grade_troy_oz_per_short_ton"], "ozt_per_short_ton", "g_per_t")
    gold_mg = grade.gold_mg(g_per_t, ore_g)
    return {
        "gold_mg": gold_mg,
        "gold_grains": units.convert_mass(gold_mg, "mg", "grain"),
        "gold_troy_oz": units.convert_mass(gold_mg, "mg", "ozt"),
    }


@solves("units", "volume_us_cup bulk_density_g_per_ml grade_g_per_t")
def gold_in_cups_of_ore(inputs: dict) -> dict:
    ore_g = (
        float(units.convert_volume(inputs["volume_us_cup"], "cup", "mL")) * inputs["bulk_density_g_per_ml"]
    )
    return {"ore_mass_g": ore_g, "gold_mg": grade.gold_mg(inputs["grade_g_per_t"], ore_g)}


@solves("units", "gold_mg ore_mass_lb")
def implied_grade(inputs: dict) -> dict:
    g_per_t = grade.grade_g_per_t(inputs["gold_mg"], units.convert_mass(inputs["ore_mass_lb"], "lb", "g"))
    return {
        "g_per_t": g_per_t,
        "troy_oz_per_short_ton": units.convert_grade(g_per_t, "g_per_t", "ozt_per_short_ton"),
    }


@solves("units", "sieve_numbers")
def e11_openings(inputs: dict) -> dict:
    return {f"no_{number}_mm": _opening_mm("astm_e11", number) for number in inputs["sieve_numbers"]}


@solves("units", "tyler_mesh")
def tyler_openings(inputs: dict) -> dict:
    return {f"tyler_{number}_mm": _opening_mm("tyler", number) for number in inputs["tyler_mesh"]}


def _opening_mm(series: str, number: int):
    return units.convert_length(units.sieve_opening_um(series, number), "um", "mm")


@solves("grade_recovery", "feed_grade_percent concentrate_grade_percent tail_grade_percent")
@solves("grade_recovery", "feed_grade_g_per_t concentrate_grade_g_per_t tail_grade_g_per_t")
def two_products(inputs: dict) -> dict:
    found = grade.two_product(*_three_grades(inputs))
    return {
        "recovery_percent": 100 * found.recovery,
        "mass_yield_percent": 100 * found.mass_yield,
        "ratio_of_concentration": found.ratio_of_concentration,
        "enrichment_ratio": found.enrichment,
    }


def _three_grades(inputs: dict) -> list[float]:
    unit = "percent" if "feed_grade_percent" in inputs else "g_per_t"
    return [inputs[f"{product}_grade_{unit}"] for product in ("feed", "concentrate", "tail")]


def _three_sds(inputs: dict) -> dict[str, float]:
    return {
        "sd_feed": inputs["sd_feed_g_per_t"],
        "sd_concentrate": inputs["sd_concentrate_g_per_t"],
        "sd_tails": inputs["sd_tail_g_per_t"],
    }


@solves("grade_recovery", "gold_mg wet_ore_kg moisture_percent_wet_basis")
def grade_of_wet_ore(inputs: dict) -> dict:
    dry_kg = (
        grade.dry_mass_g(inputs["wet_ore_kg"] * 1000, inputs["moisture_percent_wet_basis"] / 100, basis="wet")
        / 1000
    )
    dry_grade = grade.grade_g_per_t(inputs["gold_mg"], dry_kg * 1000)
    return {
        "dry_ore_kg": dry_kg,
        "recovered_grade_g_per_t_dry": dry_grade,
        "recovered_grade_g_per_t_wet": grade.grade_g_per_t(inputs["gold_mg"], inputs["wet_ore_kg"] * 1000),
        "troy_oz_per_short_ton_dry": units.convert_grade(dry_grade, "g_per_t", "ozt_per_short_ton"),
    }


@solves("grade_recovery", "wet_g dry_g")
def moisture(inputs: dict) -> dict:
    return {
        "moisture_percent_wet_basis": 100 * grade.moisture_wet_basis(inputs["wet_g"], inputs["dry_g"]),
        "moisture_percent_dry_basis": 100 * grade.moisture_dry_basis(inputs["wet_g"], inputs["dry_g"]),
    }


@solves("grade_recovery", "raw_gold_mg fineness_per_mille dry_ore_kg")
def grade_of_impure_gold(inputs: dict) -> dict:
    fine_mg = grade.fine_gold(inputs["raw_gold_mg"], inputs["fineness_per_mille"] / 1000)
    return {
        "fine_gold_mg": fine_mg,
        "grade_g_per_t": grade.grade_g_per_t(fine_mg, inputs["dry_ore_kg"] * 1000),
    }


@solves(
    "grade_recovery",
    "concentrate_mass_g concentrate_grade_g_per_t tail_mass_g tail_grade_g_per_t assayed_head_g_per_t",
)
def balance_of_products(inputs: dict) -> dict:
    found = grade.weighed_products(
        inputs["concentrate_mass_g"],
        inputs["concentrate_grade_g_per_t"],
        inputs["tail_mass_g"],
        inputs["tail_grade_g_per_t"],
    )
    accountability = grade.accountability(found.calculated_head_g_per_t, inputs["assayed_head_g_per_t"])
    return {
        "metal_in_concentrate_mg": found.concentrate_gold_mg,
        "metal_in_tail_mg": found.tails_gold_mg,
        "calculated_head_g_per_t": found.calculated_head_g_per_t,
        "recovery_percent": 100 * found.recovery,
        "accountability_percent_of_assayed_head": 100 * accountability,
    }


@solves("grade_recovery", "ore_t grade_g_per_t recovery_percent")
def contained_gold(inputs: dict) -> dict:
    contained_mg = grade.gold_mg(inputs["grade_g_per_t"], units.convert_mass(inputs["ore_t"], "t", "g"))
    contained_ozt = units.convert_mass(contained_mg, "mg", "ozt")
    return {
        "contained_g": units.convert_mass(contained_mg, "mg", "g"),
        "contained_troy_oz": contained_ozt,
        "recoverable_troy_oz": float(contained_ozt) * inputs["recovery_percent"] / 100,
    }


GRADES_AND_SDS = (
    "feed_grade_g_per_t concentrate_grade_g_per_t tail_grade_g_per_t "
    "sd_feed_g_per_t sd_concentrate_g_per_t sd_tail_g_per_t"
)


@solves("grade_recovery", GRADES_AND_SDS)
def recovery_error(inputs: dict) -> dict:
    found = grade.two_product_error(*_three_grades(inputs), **_three_sds(inputs))
    return {
        "recovery_percent": 100 * found.recovery,
        "dR_df": found.d_feed,
        "dR_dc": found.d_concentrate,
        "dR_dt": found.d_tails,
        "sd_recovery_percent_points": 100 * found.sd,
    }


@solves("grade_recovery", f"{GRADES_AND_SDS} minimum_draws")
def recovery_error_by_simulation(inputs: dict) -> dict:
    found = grade.simulated_recovery(
        *_three_grades(inputs), **_three_sds(inputs), rng=random.Random(2026), draws=inputs["minimum_draws"]
    )
    return {"monte_carlo_sd_percent_points": 100 * found.sd}


@solves("grade_recovery", "concentrate_metal_mg tail_metal_mg rel_sd_concentrate rel_sd_tail")
def recovery_of_products(inputs: dict) -> dict:
    masses = (inputs["concentrate_metal_mg"], inputs["tail_metal_mg"])
    sd = grade.recovery_of_products_sd(
        *masses, relative_sd_concentrate=inputs["rel_sd_concentrate"], relative_sd_tails=inputs["rel_sd_tail"]
    )
    return {
        "recovery_percent": 100 * grade.recovery_of_products(*masses),
        "sd_recovery_percent_points": 100 * sd,
    }


@solves("grade_recovery", "cases")
def refused_grades(inputs: dict) -> dict:
    triples = [(case["f"], case["c"], case["t"]) for case in inputs["cases"]]
    return {
        "valid": [grade.two_product_refusal(*triple) is None for triple in triples],
        "naive_recovery_percent_first_two": [
            100 * grade.two_product_formula(*triple) for triple in triples[:2]
        ],
    }


@solves("blend_screen_assay", "dry_mass_kg grade_g_per_t")
def blend(inputs: dict) -> dict:
    grades, masses = inputs["grade_g_per_t"], inputs["dry_mass_kg"]
    return {
        "weighted_grade_g_per_t": grade.blend_grade(grades, masses),
        "unweighted_mean_g_per_t": grade.blend_grade(grades, [1] * len(grades)),
    }


@solves("blend_screen_assay", "wet_mass_kg moisture_percent_wet_basis grade_g_per_t_dry")
def wet_blend(inputs: dict) -> dict:
    dry_kg = [
        grade.dry_mass_g(wet_kg * 1000, percent / 100, basis="wet") / 1000
        for wet_kg, percent in zip(inputs["wet_mass_kg"], inputs["moisture_percent_wet_basis"], strict=True)
    ]
    return {
        "dry_mass_kg": dry_kg,
        "weighted_grade_g_per_t": grade.blend_grade(inputs["grade_g_per_t_dry"], dry_kg),
    }


@solves("blend_screen_assay", "high_mass_kg high_grade_g_per_t low_grade_g_per_t target_g_per_t")
def blend_to_target(inputs: dict) -> dict:
    added = grade.mass_to_add(
        inputs["high_mass_kg"],
        inputs["high_grade_g_per_t"],
        inputs["low_grade_g_per_t"],
        inputs["target_g_per_t"],
    )
    return {"low_mass_kg": added}


@solves("blend_screen_assay", "plus_mass_g plus_metal_g minus_mass_g minus_portion_g minus_portion_metal_g")
def assay_with_metallics(inputs: dict) -> dict:
    minus_grade = grade.grade_g_per_t(1000 * inputs["minus_portion_metal_g"], inputs["minus_portion_g"])
    found = grade.screen_fire_assay(
        inputs["plus_mass_g"], 1000 * inputs["plus_metal_g"], inputs["minus_mass_g"], [minus_grade]
    )
    return {
        "total_percent": units.convert_grade(found.grade_g_per_t, "g_per_t", "percent"),
        "plus_share_of_metal_percent": 100 * found.coarse_share,
        "troy_oz_per_long_ton": units.convert_grade(found.grade_g_per_t, "g_per_t", "ozt_per_long_ton"),
    }


@solves("blend_screen_assay", "plus_mass_g plus_gold_mg minus_mass_g minus_assays_g_per_t")
def screen_fire_assay(inputs: dict) -> dict:
    found = grade.screen_fire_assay(
        inputs["plus_mass_g"], inputs["plus_gold_mg"], inputs["minus_mass_g"], inputs["minus_assays_g_per_t"]
    )
    return {
        "plus_grade_g_per_t": found.plus_grade_g_per_t,
        "minus_mean_g_per_t": found.minus_grade_g_per_t,
        "total_grade_g_per_t": found.grade_g_per_t,
        "coarse_gold_share_percent": 100 * found.coarse_share,
    }


@solves("blend_screen_assay", "length_m grade_percent specific_gravity")
def section_mean(inputs: dict) -> dict:
    lengths = inputs["length_m"]
    masses = [length * density for length, density in zip(lengths, inputs["specific_gravity"], strict=True)]
    return {
        "volume_weighted_percent": lineage.weighted_mean(inputs["grade_percent"], lengths),
        "mass_weighted_percent": lineage.weighted_mean(inputs["grade_percent"], masses),
    }


@solves("blend_screen_assay", "dry_mass_kg grade_g_per_t sd_g_per_t")
def blend_uncertainty(inputs: dict) -> dict:
    return {"sd_weighted_grade_g_per_t": grade.blend_grade_sd(inputs["sd_g_per_t"], inputs["dry_mass_kg"])}


ORE_FACTORS = (
    "shape_factor_f size_range_factor_g grade_g_per_t liberation_size_um gold_density_g_per_cm3 gangue_density_g_per_cm3 "
    "liberation_exponent"
)


def _ore_factors(inputs: dict) -> dict[str, float]:
    return {
        "grade_g_per_t": inputs["grade_g_per_t"],
        "liberation_um": inputs["liberation_size_um"],
        "liberation_exponent": inputs["liberation_exponent"],
        "gold_density": inputs["gold_density_g_per_cm3"],
        "gangue_density": inputs["gangue_density_g_per_cm3"],
        "shape_factor": inputs["shape_factor_f"],
        "size_range_factor": inputs["size_range_factor_g"],
    }


def _stage(inputs: dict, top_size_mm: float) -> sampling.Stage:
    return sampling.Stage(1000 * top_size_mm, inputs["sample_mass_g"], inputs["lot_mass_g"])


@solves("sampling_theory", f"{ORE_FACTORS} top_size_d95_mm sample_mass_g lot_mass_g target_relative_sd")
def fundamental_error(inputs: dict) -> dict:
    stage = _stage(inputs, inputs["top_size_d95_mm"])
    found = sampling.fundamental_error(stage=stage, **_ore_factors(inputs))
    return {
        "mineralogical_factor_g_per_cm3": found.mineralogical_factor,
        "liberation_factor": found.liberation_factor,
        "sampling_constant_fgcl_g_per_cm3": found.sampling_constant,
        "relative_variance": found.relative_variance,
        "relative_sd_percent": 100 * found.relative_sd,
        "minimum_sample_mass_g_for_target": sampling.minimum_sample_g(
            found.sampling_constant, stage.top_size_um, inputs["target_relative_sd"], stage.lot_g
        ),
    }


@solves(
    "sampling_theory",
    "metal_percent metal_in_mineral_percent mineral_density_g_per_cm3 gangue_density_g_per_cm3 liberation_size_mm "
    "top_size_mm shape_factor_f size_range_factor_g relative_sd",
)
def base_metal_sample(inputs: dict) -> dict:
    c = sampling.mineralogical_factor(
        inputs["metal_percent"] / inputs["metal_in_mineral_percent"],
        inputs["mineral_density_g_per_cm3"],
        inputs["gangue_density_g_per_cm3"],
    )
    top_size_um = 1000 * inputs["top_size_mm"]
    gy_exponent = sampling.LIBERATION_EXPONENTS[0]
    liberation = sampling.liberation_factor(1000 * inputs["liberation_size_mm"], top_size_um, gy_exponent)
    constant = inputs["shape_factor_f"] * inputs["size_range_factor_g"] * c * liberation
    return {
        "mineralogical_factor_g_per_cm3": c,
        "liberation_factor": liberation,
        "sampling_constant_g_per_cm3": constant,
        "minimum_mass_kg": sampling.minimum_sample_g(constant, top_size_um, inputs["relative_sd"]) / 1000,
    }


@solves("sampling_theory", f"{ORE_FACTORS} stages")
def sampling_protocol(inputs: dict) -> dict:
    stages = [_stage(stage, stage["top_size_mm"]) for stage in inputs["stages"]]
    errors = sampling.protocol_errors(stages=stages, **_ore_factors(inputs))
    total = sampling.total_error(errors)
    return {
        "stage_relative_variance": [error.relative_variance for error in errors],
        "total_relative_variance": total.relative_variance,
        "total_relative_sd_percent": 100 * total.relative_sd,
        "worst_stage_index_from_zero": total.worst_stage,
    }


@solves("sampling_theory", "grain_diameter_um gold_density_g_per_cm3 grade_g_per_t sample_mass_g")
def grains_in_sample(inputs: dict) -> dict:
    grain_mg = sampling.grain_mass_mg(inputs["grain_diameter_um"], inputs["gold_density_g_per_cm3"])
    grains = sampling.expected_grains(inputs["grade_g_per_t"], inputs["sample_mass_g"], grain_mg)
    return {
        "grain_mass_mg": grain_mg,
        "expected_grains": grains,
        "probability_of_none": sampling.chance_of_none(grains),
        "relative_sd_percent": 100 * sampling.counting_spread(grains),
    }


@solves("sampling_theory", "grain_mass_mg grade_g_per_t probability")
def sample_for_one_grain(inputs: dict) -> dict:
    grains = sampling.grains_for_chance(inputs["probability"])
    return {
        "expected_grains": grains,
        "sample_mass_g": sampling.sample_mass_g(grains, inputs["grain_mass_mg"], inputs["grade_g_per_t"]),
    }


@solves("sampling_theory", "particles")
def counted_particles(inputs: dict) -> dict:
    spread = sampling.counting_spread(inputs["particles"])
    return {"relative_sd_percent": 100 * spread, "two_sd_percent": 200 * spread}


FLAKE = "flake_diameter_um diameter_to_thickness gold_density_g_per_cm3"


def _flake_mg(inputs: dict) -> float:
    return sampling.flake_mass_mg(
        inputs["flake_diameter_um"], inputs["diameter_to_thickness"], inputs["gold_density_g_per_cm3"]
    )


@solves("sampling_theory", f"{FLAKE} sample_mass_g particles")
def grade_for_flakes(inputs: dict) -> dict:
    lowest = sampling.grade_for_grains(inputs["particles"], _flake_mg(inputs), inputs["sample_mass_g"])
    return {"minimum_grade_g_per_t": lowest}


@solves("sampling_theory", f"{FLAKE} grade_g_per_t particles")
def sample_for_flakes(inputs: dict) -> dict:
    flake_mg = _flake_mg(inputs)
    return {
        "flake_mass_mg": flake_mg,
        "sample_mass_g": sampling.sample_mass_g(inputs["particles"], flake_mg, inputs["grade_g_per_t"]),
    }


@solves("sampling_theory", "relative_sd_percent subsample_mass_g target_relative_sd_percent")
def ingamells(inputs: dict) -> dict:
    constant_g = sampling.ingamells_constant_g(
        inputs["relative_sd_percent"] / 100, inputs["subsample_mass_g"]
    )
    target = inputs["target_relative_sd_percent"] / 100
    return {"ks_g": constant_g, "mass_for_target_g": sampling.ingamells_mass_g(constant_g, target)}


@solves("sampling_theory", "counts sample_mass_g")
def counted_samples(inputs: dict) -> dict:
    counts = inputs["counts"]
    test = sampling.dispersion_test(counts)
    total = sampling.count_interval(sum(counts))
    return {
        "mean_count": test.mean,
        "sample_variance": test.variance,
        "probability_of_none": sampling.chance_of_none(test.mean),
        "observed_fraction_none": counts.count(0) / len(counts),
        "dispersion_chi2": test.chi2,
        "dispersion_df": test.df,
        "dispersion_p_upper": test.p_upper,
        "mean_ci95_low": total.low / len(counts),
        "mean_ci95_high": total.high / len(counts),
    }


@solves("sampling_theory", "count")
def counted_grains(inputs: dict) -> dict:
    interval = sampling.count_interval(inputs["count"])
    return {
        "ci95_low": interval.low,
        "ci95_high": interval.high,
        "one_sided_95_upper": sampling.count_upper_limit(inputs["count"]),
    }


@solves("sampling_theory", "count_a count_b mass_a mass_b")
def two_counts(inputs: dict) -> dict:
    found = sampling.compare_counts(**inputs)
    return {
        "rate_ratio": found.rate_ratio,
        "ratio_ci95_low": found.interval.low,
        "ratio_ci95_high": found.interval.high,
        "p_two_sided": found.p_two_sided,
    }
