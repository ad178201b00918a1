"""Solvers for the cases about the material: units, grade and recovery, blends and screen assay, sampling theory, homogeneity
of a lot, assay quality control, method comparison, skewed and censored grades, colours.

A solver is found by its topic and the names of the inputs, so that a new case of the same form runs without new code. It
only carries the case's units and names to the function under `prospecting/calc` and back.
"""

import random
from collections.abc import Callable

import numpy as np

from prospecting.calc import (
    censored,
    colours,
    grade,
    homogeneity,
    lineage,
    method_comparison,
    quality_control,
    sampling,
    skewed_grades,
    trend,
    units,
)

SOLVERS: dict[tuple[str, frozenset[str] | str], Callable[[dict], dict]] = {}

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


def whatever_answers(*groups: Callable[[], dict]) -> dict:
    """The outputs of every method that takes these inputs: a case is about one of them, and another may rightly refuse."""
    found, refusals = {}, []
    for group in groups:
        try:
            found |= group()
        except ValueError as refusal:
            refusals.append(refusal)
    if not found:
        raise refusals[0]
    return found


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


@solves("homogeneity", "first second sigma_target")
def sufficient_homogeneity(inputs: dict) -> dict:
    found = homogeneity.sufficient_homogeneity(**inputs)
    return {
        "mean": found.mean,
        "ms_between": found.ms_between,
        "ms_within": found.ms_within,
        "f_ratio": found.f_ratio,
        "f_p_value": found.f_p_value,
        "cochran_statistic": found.cochran.statistic,
        "cochran_critical_5pct": found.cochran.critical,
        "s_an": found.s_an,
        "s_sam_squared": found.s_sam_squared,
        "s_sam": found.s_sam,
        "factor_f1": found.factors.f1,
        "factor_f2": found.factors.f2,
        "guide35_u_star_bb": found.guide35_u_star_bb,
        "sigma_all_squared": found.sigma_allowed_squared,
        "critical_value": found.critical_value,
        "passes_harmonized": found.passes,
        "passes_simple_0_3_sigma": found.passes_without_allowance,
    }


@solves("homogeneity", "k n")
def cochran_limits(inputs: dict) -> dict:
    return {
        f"critical_{percent}pct": [
            homogeneity.cochran_critical(groups, replicates, percent / 100)
            for groups, replicates in zip(inputs["k"], inputs["n"], strict=True)
        ]
        for percent in (5, 1)
    }


@solves("homogeneity", "units_m")
def homogeneity_factors(inputs: dict) -> dict:
    factors = [homogeneity.homogeneity_factors(units) for units in inputs["units_m"]]
    return {"f1": [factor.f1 for factor in factors], "f2": [factor.f2 for factor in factors]}


@solves("duplicates_qc", "first second")
def duplicate_spread(inputs: dict) -> dict:
    found = quality_control.duplicate_precision(inputs["first"], inputs["second"])
    return {
        "cv_rms_percent": 100 * found.cv_rms,
        "within_variance": found.within_variance,
        "cv_pooled_percent": 100 * found.cv_pooled,
        "mean": found.mean,
    }


@solves("duplicates_qc", "first_g_per_t second_g_per_t")
def gold_duplicates(inputs: dict) -> dict:
    pairs = (inputs["first_g_per_t"], inputs["second_g_per_t"])
    found = quality_control.duplicate_precision(*pairs)
    return {
        "hard_percent": [100 * value for value in found.hard],
        "median_hard_percent": 100 * found.median_hard,
        "percent_of_pairs_at_or_below_10": 100 * found.share_within(0.1),
        "cv_rms_percent": 100 * found.cv_rms,
        "cv_log_method_percent": 100 * quality_control.cv_from_logs(*pairs),
    }


@solves("duplicates_qc", "first second group_size")
def precision_against_grade(inputs: dict) -> dict:
    found = quality_control.thompson_howarth(inputs["first"], inputs["second"], inputs["group_size"])
    return {
        "group_mean": found.group_mean,
        "group_median_abs_difference": found.group_median_difference,
        "slope_of_median_difference": found.slope,
        "intercept_of_median_difference": found.intercept,
        "sd_slope": found.sd_slope,
        "sd_intercept": found.sd_intercept,
    }


@solves("duplicates_qc", "values")
def control_chart(inputs: dict) -> dict:
    found = quality_control.individuals_chart(inputs["values"])
    return {
        "mean": found.centre,
        "mean_moving_range": found.mean_moving_range,
        "sigma_estimate": found.sigma,
        "action_low": found.action_low,
        "action_high": found.action_high,
        "warning_low": found.warning_low,
        "warning_high": found.warning_high,
        "sample_sd": found.sample_sd,
    }


@solves("duplicates_qc", "z")
def run_rules(inputs: dict) -> dict:
    return quality_control.broken_rules(inputs["z"])


@solves("duplicates_qc", "rules")
def run_lengths(inputs: dict) -> dict:
    """Names of rules are "all four", or like "rule1 alone"."""
    found = {}
    for words in inputs["rules"]:
        name = words.removesuffix(" alone")
        rules = [
            rule
            for rule in quality_control.WESTERN_ELECTRIC.rules
            if name == "all four" or rule.name.startswith(f"{name}_")
        ]
        found[f"arl_{name.replace(' ', '_')}"] = quality_control.mean_run_length(rules)
    return found


@solves("duplicates_qc", "result certified sd_for_assessment u_result u_certified")
def reference_scores(inputs: dict) -> dict:
    found = quality_control.scores(**inputs)
    return {"z": found.z, "z_prime": found.z_prime, "zeta": found.zeta, "e_n": found.e_n}


@solves("duplicates_qc", "results certified u_certified")
def bias_against_certificate(inputs: dict) -> dict:
    found = quality_control.bias(**inputs)
    return {
        "mean": found.mean,
        "difference": found.difference,
        "u_mean": found.u_mean,
        "expanded_uncertainty_of_difference": found.expanded_uncertainty,
        "significant": found.is_significant,
        "t_without_cert_uncertainty": found.t_without_certificate,
    }


@solves("duplicates_qc", "blank_g_per_t method_detection_limit_g_per_t field_blanks_g_per_t")
def blanks(inputs: dict) -> dict:
    level = quality_control.blank_level(inputs["blank_g_per_t"])
    flags = quality_control.flagged_blanks(
        inputs["field_blanks_g_per_t"], inputs["method_detection_limit_g_per_t"]
    )
    return {
        "blank_mean": level.mean,
        "blank_sd": level.sd,
        "mean_plus_3s": level.mean_plus_3_sd,
        "flags_above_5_dl": flags,
    }


@solves("method_comparison", "method_a method_b")
def limits_of_agreement(inputs: dict) -> dict:
    pairs = (inputs["method_a"], inputs["method_b"])
    found = method_comparison.limits_of_agreement(*pairs)
    rounded = method_comparison.limits_of_agreement(*pairs, multiplier=2)
    return {
        "n": found.pairs,
        "mean_difference": found.mean,
        "sd_difference": found.sd,
        "limit_low_1_96": found.low,
        "limit_high_1_96": found.high,
        "limit_low_2sd": rounded.low,
        "limit_high_2sd": rounded.high,
        "se_mean_difference": found.se_mean,
        "mean_difference_ci95_low": found.mean_interval.low,
        "mean_difference_ci95_high": found.mean_interval.high,
        "se_limit_sqrt_3s2_over_n": found.se_limit,
        # About the limit of 2 sds, as the paper has it.
        "lower_limit_ci95": [rounded.low_interval.low, rounded.low_interval.high],
    }


@solves("method_comparison", "first second")
def repeatability(inputs: dict) -> dict:
    found = method_comparison.repeatability(inputs["first"], inputs["second"])
    return {"repeatability_coefficient_2sd": found.coefficient, "within_subject_sd": found.within_sd}


@solves("method_comparison", "x y")
def two_methods(inputs: dict) -> dict:
    """Every way to compare two methods by pairs alone."""
    return whatever_answers(
        lambda: _concordance(**inputs), lambda: _deming_lines(**inputs), lambda: _passing_bablok(**inputs)
    )


def _concordance(x: list[float], y: list[float]) -> dict:
    found = method_comparison.concordance(x, y)
    return {
        "ccc": found.concordance,
        "pearson_r": found.pearson_r,
        "bias_correction_factor": found.bias_factor,
        "ccc_ci95_low": found.interval.low,
        "ccc_ci95_high": found.interval.high,
    }


def _deming_lines(x: list[float], y: list[float]) -> dict:
    equal, double = (method_comparison.deming(x, y, variance_ratio_y_over_x=ratio) for ratio in (1, 2))
    return {
        "intercept_ratio_1": equal.intercept,
        "slope_ratio_1": equal.slope,
        "intercept_ratio_2": double.intercept,
        "slope_ratio_2": double.slope,
        "ols_slope": method_comparison.least_squares_line(x, y).slope,
        "reverse_slope_ratio_1": method_comparison.deming(y, x, variance_ratio_x_over_y=1).slope,
    }


def _passing_bablok(x: list[float], y: list[float]) -> dict:
    found = method_comparison.passing_bablok(x, y)
    return {
        "intercept": found.intercept,
        "slope": found.slope,
        "slope_ci_low": found.slope_interval.low,
        "slope_ci_high": found.slope_interval.high,
    }


@solves("method_comparison", "x se_x y se_y")
def errors_on_both_sides(inputs: dict) -> dict:
    x, y, error_x, error_y = (inputs[name] for name in ("x", "y", "se_x", "se_y"))
    found = method_comparison.line_with_errors_on_both_sides(x, y, error_x, error_y)
    plain = method_comparison.least_squares_line(x, y)
    weighted = method_comparison.least_squares_line(x, y, error_y)
    return {
        "intercept": found.intercept,
        "slope": found.slope,
        "ols_intercept": plain.intercept,
        "ols_slope": plain.slope,
        "wls_1_over_se_y2_intercept": weighted.intercept,
        "wls_1_over_se_y2_slope": weighted.slope,
    }


@solves("skewed_grades", "values")
@solves("skewed_grades", "values_g_per_t")
def skewed_mean(inputs: dict) -> dict:
    (values,) = inputs.values()
    return whatever_answers(
        lambda: _lognormal_mean(values),
        lambda: _land_limit(values),
        lambda: {"student_t_ucl95_one_sided": skewed_grades.student_upper_limit(values)},
    )


def _lognormal_mean(values: list[float]) -> dict:
    found = skewed_grades.lognormal_mean(values)
    return {
        "mvue_mean_sichel_t": found.mean,
        "log_mean": found.log_mean,
        "log_variance_n_minus_1": found.log_variance,
        "log_variance_divisor_n": found.log_variance_divisor_n,
        "sichel_factor_t_over_geometric_mean": found.sichel_factor,
        "geometric_mean": found.geometric_mean,
        "arithmetic_mean": found.arithmetic_mean,
        "qmle_exp_mu_plus_half_s2": found.plug_in_mean,
    }


def _land_limit(values: list[float]) -> dict:
    found = skewed_grades.land_limit(values)
    return {"land_ucl95_one_sided": found.limit, "land_h_factor": found.h_factor}


@solves("skewed_grades", "values resamples")
def bootstrap_mean(inputs: dict) -> dict:
    found = skewed_grades.bootstrap_mean(
        inputs["values"], np.random.default_rng(2026), resamples=inputs["resamples"]
    )
    return {
        "percentile_low": found.percentile.low,
        "percentile_high": found.percentile.high,
        "bca_low": found.bca.low,
        "bca_high": found.bca.high,
    }


@solves("skewed_grades", "time_years value")
@solves("skewed_grades", "time value")
def grade_trend(inputs: dict) -> dict:
    times, values = inputs.get("time_years", inputs.get("time")), inputs["value"]
    found = trend.mann_kendall(times, values)
    sen = trend.sen_slope(times, values)
    return {
        "s_statistic": found.s,
        "variance_s": found.variance,
        "z": found.z,
        "z_with_continuity": found.z,
        # The published example gives the normal approximation beside its z.
        "p_two_sided": found.p_normal,
        "normal_p_two_sided": found.p_normal,
        "exact_p_two_sided": found.p_exact,
        # The file's name notwithstanding, the published 0.7668 is S over all pairs (194 of 253): tau_a. With its ties tau_b
        # is 0.7745, by our code and by scipy.stats.kendalltau; see tests/prospecting/calc/test_trend.py.
        "kendall_tau_b": found.tau_a,
        "sen_slope": sen.slope,
        "slope_ci95_low": sen.interval.low,
        "slope_ci95_high": sen.interval.high,
    }


@solves("skewed_grades", "value_or_detection_limit censored")
def grades_below_limits(inputs: dict) -> dict:
    values, is_below = inputs["value_or_detection_limit"], inputs["censored"]
    if all(is_below):
        share = censored.upper_share_above(0, len(values))
        return {"mean_defined": False, f"fraction_above_{max(values):g}_upper95_one_sided": share}
    return whatever_answers(
        lambda: {
            "mean_defined": True,
            "n": len(values),
            "n_censored": sum(is_below),
            "half_dl_substitution_mean": censored.half_limit_mean(values, is_below),
        },
        lambda: _lognormal_mle(values, is_below),
        lambda: _robust_ros(values, is_below),
        lambda: _kaplan_meier(values, is_below),
    )


def _lognormal_mle(values: list[float], is_below: list[bool]) -> dict:
    found = censored.lognormal_mle(values, is_below)
    return {
        "log_mle_mean": found.log_mean,
        "log_mle_sd": found.log_sd,
        "lognormal_mle_mean": found.mean,
    }


def _robust_ros(values: list[float], is_below: list[bool]) -> dict:
    found = censored.robust_ros(values, is_below)
    return {
        "robust_ros_mean": found.mean,
        "robust_ros_sd": found.sd,
        "robust_ros_median": found.median,
        "log_scale_robust_ros_mean": found.log_mean,
        "log_scale_robust_ros_sd": found.log_sd,
    }


def _kaplan_meier(values: list[float], is_below: list[bool]) -> dict:
    found = censored.kaplan_meier(values, is_below)
    return {
        "km_mean_leftover_at_smallest_detect": found.mean_leftover_at_smallest_detect,
        "km_mean_leftover_at_smallest_detection_limit": found.mean_leftover_at_smallest_limit,
        "km_leftover_probability": found.leftover,
    }


@solves("colours_to_mass", "colour_mass_mg")
def colour_classes(inputs: dict) -> dict:
    return {"colour_class": [colours.colour_class(mass) for mass in inputs["colour_mass_mg"]]}


@solves("colours_to_mass", "colours_per_troy_oz")
def mean_colour(inputs: dict) -> dict:
    return {"mean_colour_mass_mg": colours.mean_colour_mg(inputs["colours_per_troy_oz"])}


@solves("colours_to_mass", "diameter_mm limits_inch")
def size_names(inputs: dict) -> dict:
    limits_mm = [limit * colours.MM_PER_INCH for limit in inputs["limits_inch"]]
    return {
        "size_class": [colours.size_class(diameter, limits_mm) for diameter in inputs["diameter_mm"]],
        "limits_mm": limits_mm,
    }


@solves("colours_to_mass", "mass_troy_oz density_g_per_cm3")
def cube_of_gold(inputs: dict) -> dict:
    mass_g = float(units.convert_mass(inputs["mass_troy_oz"], "ozt", "g"))
    return {"side_inch": colours.cube_side_mm(mass_g, inputs["density_g_per_cm3"]) / colours.MM_PER_INCH}


@solves("colours_to_mass", "diameter_um density_g_per_cm3 diameter_to_thickness")
def ball_and_flake(inputs: dict) -> dict:
    diameter, density = inputs["diameter_um"], inputs["density_g_per_cm3"]
    ball = sampling.grain_mass_mg(diameter, density)
    flake = sampling.flake_mass_mg(diameter, inputs["diameter_to_thickness"], density)
    return {
        "sphere_mass_mg": ball,
        "flake_mass_mg": flake,
        "spheres_per_mg": 1 / ball,
        "flakes_per_mg": 1 / flake,
        "flake_to_sphere_mass_ratio": flake / ball,
    }


@solves("colours_to_mass", "length_mm breadth_mm thickness_mm density_g_per_cm3")
def grain_shape(inputs: dict) -> dict:
    found = colours.grain_shape(
        inputs["length_mm"], inputs["breadth_mm"], inputs["thickness_mm"], inputs["density_g_per_cm3"]
    )
    return {
        "corey_shape_factor": found.corey_factor,
        "cailleux_flatness": found.flatness,
        "nominal_diameter_mm": found.nominal_diameter_mm,
        "ellipsoid_mass_mg": found.mass_mg,
    }


WATER = "water_density_kg_per_m3 water_viscosity_pa_s gravity_m_per_s2"


def _water(inputs: dict) -> colours.Water:
    return colours.Water(*(inputs[name] for name in WATER.split()))


@solves("colours_to_mass", f"diameter_um solid_density_kg_per_m3 {WATER}")
def ball_in_water(inputs: dict) -> dict:
    """One ball falling, by each law; the Reynolds number is Stokes's where his law holds, else of the true fall."""
    stokes = stokes_fall(inputs)
    if stokes["stokes_valid"]:
        return _fall_beyond_stokes(inputs) | stokes
    return whatever_answers(lambda: stokes, lambda: _fall_beyond_stokes(inputs))


def stokes_fall(inputs: dict) -> dict:
    """By Stokes's law alone, with its own Reynolds number however wrong."""
    found = colours.stokes_fall(*_ball(inputs), beyond_limit="tell")
    return {
        "stokes_velocity_m_per_s": found.velocity_m_per_s,
        "reynolds": found.reynolds,
        "stokes_valid": found.is_valid,
    }


# Stokes's cases and those beyond him have the same names of inputs (two even the same numbers), and call different Reynolds
# numbers "reynolds": only the method, where a caller names it, tells them apart.
SOLVERS["colours_to_mass", "stokes"] = stokes_fall


def _ball(inputs: dict) -> tuple[float, float, colours.Water]:
    return inputs["diameter_um"], inputs["solid_density_kg_per_m3"], _water(inputs)


def _fall_beyond_stokes(inputs: dict) -> dict:
    ball = _ball(inputs)
    found = colours.schiller_naumann_fall(*ball)
    return {
        "schiller_naumann_m_per_s": found.velocity_m_per_s,
        "reynolds": found.reynolds,
        "ferguson_church_sphere_m_per_s": colours.ferguson_church_velocity(*ball, c2=colours.BALL_C2),
        "ferguson_church_natural_m_per_s": colours.ferguson_church_velocity(*ball, c2=colours.NATURAL_C2),
    }


@solves("colours_to_mass", "gold_density quartz_density water_density")
def equal_settling(inputs: dict) -> dict:
    densities = [inputs[f"{name}_density"] for name in ("gold", "quartz", "water")]
    return {
        "concentration_criterion": colours.concentration_criterion(*densities),
        "quartz_to_gold_diameter_ratio_stokes": colours.equal_settling_ratio(
            *densities, exponent=colours.STOKES_EXPONENT
        ),
        "quartz_to_gold_diameter_ratio_newton": colours.equal_settling_ratio(
            *densities, exponent=colours.NEWTON_EXPONENT
        ),
    }


@solves(
    "colours_to_mass",
    f"gold_diameter_um gold_density_kg_per_m3 quartz_density_kg_per_m3 {WATER}",
)
def quartz_as_fast_as_gold(inputs: dict) -> dict:
    gold = (inputs["gold_diameter_um"], inputs["gold_density_kg_per_m3"])
    water = _water(inputs)
    quartz_um = colours.equal_settling_diameter_um(*gold, inputs["quartz_density_kg_per_m3"], water)
    return {
        "velocity_m_per_s": colours.ferguson_church_velocity(*gold, water, c2=colours.BALL_C2),
        "equivalent_quartz_diameter_um": quartz_um,
        "ratio": quartz_um / inputs["gold_diameter_um"],
    }


@solves("colours_to_mass", "count_per_class mean_mass_mg_per_class dry_ore_kg")
def grade_from_colours(inputs: dict) -> dict:
    found = colours.gold_of_colours(inputs["count_per_class"], inputs["mean_mass_mg_per_class"])
    return {
        "gold_mg": found.gold_mg,
        "grade_g_per_t": grade.grade_g_per_t(found.gold_mg, 1000 * inputs["dry_ore_kg"]),
        "sd_gold_mg": found.sd_mg,
        "rel_sd_percent": 100 * found.relative_sd,
    }
