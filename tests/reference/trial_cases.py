"""Which function of trials.calc answers each topic and method of fixtures/reference/trial_statistics.json."""

import math
from collections.abc import Callable, Mapping
from dataclasses import asdict
from typing import Any

from trials.calc import (
    all_pairs,
    clarity,
    combination,
    comparison,
    cost,
    counts,
    designs,
    dose_curve,
    dose_order,
    equivalence,
    least_squares,
    next_dose,
    power,
    preference,
    ranks,
    settling,
    simultaneous,
    variance,
    verdict,
)

Answer = Mapping[str, Any]
TRANSFORMS = {None: float, "log": math.log, "sqrt(x+1)": lambda value: math.sqrt(value + 1)}


def _transformed(inputs: Answer) -> dict[str, list[float | None]]:
    change = TRANSFORMS[inputs.get("transform")]
    return {
        name: [None if value is None else change(value) for value in row]
        for name, row in inputs["table"].items()
    }


def _welch(inputs: Answer) -> Answer:
    found = variance.welch(inputs["groups"])
    return {"f": found.f, "p": found.p, "df1": found.df_between, "df2": found.df_within} | asdict(found)


def _latin_square(inputs: Answer) -> Answer:
    change = TRANSFORMS[inputs.get("transform")]
    values = [[change(value) for value in row] for row in inputs["values_by_row"]]
    return asdict(variance.latin_square(inputs["treatments_by_row"], values))


def _against_control(values, names, blocks, inputs: Answer) -> Answer:
    """Dunnett through the comparison of masses: exp of the values is a mass whose logarithm they are."""
    found = comparison.compare_with_control(
        [math.exp(value) for value in values], names, blocks, inputs["control"], inputs["confidence"]
    )
    t = {entry.treatment: math.log(entry.ratio) / entry.se_log for entry in found.treatments}
    return {
        "df": found.df,
        "difference": {entry.treatment: math.log(entry.ratio) for entry in found.treatments},
        "t": t,
        "p_adjusted": {entry.treatment: entry.p_adjusted for entry in found.treatments},
        "critical_t": found.critical_t,
        "lower": {entry.treatment: math.log(entry.lower) for entry in found.treatments},
        "upper": {entry.treatment: math.log(entry.upper) for entry in found.treatments},
    }


def _dunnett(inputs: Answer) -> Answer:
    groups, control = inputs["groups"], inputs["control"]
    values = [value for row in groups.values() for value in row]
    names = [name for name, row in groups.items() for _ in row]
    if inputs["alternative"] == "two-sided":
        return _against_control(values, names, [1] * len(values), inputs)
    # The site asks two-sided questions only; the one-sided case checks the distribution beneath.
    fit = least_squares.fit(values, names, [1] * len(values))
    rows = {name: fit.difference(name, control) for name in groups if name != control}
    correlation = fit.correlation(list(rows.values()))
    critical = simultaneous.critical_t(correlation, fit.df, inputs["confidence"], sides=1)
    sd = math.sqrt(fit.residual_ss / fit.df)
    difference = {name: fit.value_of(row) for name, row in rows.items()}
    se = {name: sd * math.sqrt(fit.variance_factor(row)) for name, row in rows.items()}
    return {
        "df": fit.df,
        "difference": difference,
        "t": {name: difference[name] / se[name] for name in rows},
        "p_adjusted": {
            name: simultaneous.adjusted_p(difference[name] / se[name], correlation, fit.df, sides=1)
            for name in rows
        },
        "critical_t": critical,
        "lower": {name: difference[name] - critical * se[name] for name in rows},
        "upper": dict.fromkeys(rows),
    }


def _dunnett_blocked(inputs: Answer) -> Answer:
    table = inputs["table"]
    values = [value for row in table.values() for value in row]
    names = [name for name, row in table.items() for _ in row]
    return _against_control(values, names, inputs["blocks"] * len(table), inputs)


def _pairs(found: list[all_pairs.Pair]) -> Answer:
    return {
        key: {f"{pair.second} - {pair.first}": getattr(pair, key) for pair in found}
        for key in ("difference", "p_adjusted", "df", "lower", "upper")
    }


def _summary(inputs: Answer, which: str) -> equivalence.Summary:
    return equivalence.Summary(inputs[f"mean_{which}"], inputs[f"sd_{which}"], inputs[f"n_{which}"])


def _margins(inputs: Answer) -> Answer:
    return {key: inputs[key] for key in ("lower_margin", "upper_margin", "alpha")}


def _tost_two(x: equivalence.Summary, y: equivalence.Summary, inputs: Answer) -> Answer:
    return asdict(
        equivalence.two_samples(x, y, **_margins(inputs), equal_variances=inputs["equal_variances"])
    )


def _tost_paired(inputs: Answer) -> Answer:
    differences = [x - y for x, y in zip(inputs["x"], inputs["y"], strict=True)]
    return asdict(equivalence.one_sample(equivalence.summarise(differences), 0.0, **_margins(inputs)))


def _tost_one(inputs: Answer) -> Answer:
    sample = equivalence.Summary(inputs["mean"], inputs["sd"], inputs["n"])
    return asdict(equivalence.one_sample(sample, inputs["reference"], **_margins(inputs)))


def _tost_ratio(inputs: Answer) -> Answer:
    return asdict(
        equivalence.ratio_of_masses(
            inputs["treated_gold_mg"],
            inputs["control_gold_mg"],
            inputs["lower_ratio"],
            inputs["upper_ratio"],
            inputs["alpha"],
        )
    )


def _not_worse(inputs: Answer) -> Answer:
    found = equivalence.not_worse(
        _summary(inputs, "new"), _summary(inputs, "control"), inputs["margin"], inputs["alpha"]
    )
    return asdict(found)


def _flags(inputs: Answer) -> Answer:
    found = verdict.flags(**inputs)
    return asdict(found) | {"not_shown": found.not_shown}


def _t_test(inputs: Answer) -> Answer:
    return {"kind": inputs["type"]} | {
        key: inputs[key] for key in ("difference", "sd", "alpha", "sides", "power") if key in inputs
    }


def _n_for_t(inputs: Answer) -> Answer:
    found = power.runs_for_t(**_t_test(inputs))
    return {"n_per_group_unrounded": found.unrounded, "n_per_group": found.runs}


def _n_for_anova(inputs: Answer) -> Answer:
    found = power.runs_for_f(**inputs)
    return {"n_per_group_unrounded": found.unrounded, "n_per_group": found.runs}


def _power_anova(inputs: Answer) -> Answer:
    found = power.power_f(
        inputs["groups"],
        inputs["n_per_group"],
        inputs["between_variance"],
        inputs["within_variance"],
        inputs["alpha"],
    )
    return {"power": found}


def _n_lognormal(inputs: Answer) -> Answer:
    found = power.runs_for_ratio(**inputs)
    return {
        "sd_log": found.sd_log,
        "log_difference": found.log_difference,
        "n_per_group_unrounded": found.unrounded,
        "n_per_group": found.runs,
        "n_per_group_normal_approximation": found.normal_approximation,
    }


def _detectable_ratio(inputs: Answer) -> Answer:
    found = power.detectable_ratio_two_groups(
        inputs["cv_fraction"], inputs["n_per_group"], inputs["alpha"], inputs["power"]
    )
    return {"sd_log": power.sd_log_from_cv(inputs["cv_fraction"]), "detectable_ratio": found}


def _power_tost(inputs: Answer) -> Answer:
    given = {key: value for key, value in inputs.items() if key != "n_per_group"}
    return {"power": power.power_of_equivalence(n=inputs["n_per_group"], **given)}


def _two_counts(inputs: Answer) -> Answer:
    found = counts.compare_two_counts(**inputs)
    return {
        "p_two_sided_minlike": found.p_small_likelihoods,
        "p_two_sided_doubled_tail": found.p_doubled_tail,
        "p_greater": found.p_greater,
        "p_less": found.p_less,
        "rate_ratio": found.rate_ratio,
        "ratio_lower": found.ratio_lower,
        "ratio_upper": found.ratio_upper,
    }


def _e_test(inputs: Answer) -> Answer:
    return {
        "p_e_test": counts.e_test_p(**inputs),
        "p_exact_conditional": counts.compare_two_counts(**inputs).p_small_likelihoods,
    }


def _dispersion(inputs: Answer) -> Answer:
    found = counts.dispersion(inputs["counts"])
    return asdict(found) | {"index_of_dispersion": found.index}


def _count_glm(inputs: Answer) -> Answer:
    groups = inputs["groups"]
    found = counts.fit_counts(
        [count for row in groups.values() for count in row],
        [name for name, row in groups.items() for _ in row],
    )
    keys = ("pearson_chi2", "residual_deviance", "df", "dispersion", "p_upper")
    return {key: getattr(found, key) for key in keys}


def _negative_binomial(inputs: Answer) -> Answer:
    # The keys of a JSON table are text.
    found = counts.fit_negative_binomial(
        {
            group: {int(count): times for count, times in row.items()}
            for group, row in inputs["frequency"].items()
        }
    )
    return {"mean": found.means, "theta_size": found.size, "log_likelihood": found.log_likelihood}


def _plan_check(inputs: Answer) -> Answer:
    found = designs.check_orders(inputs["plan_blocks_in_run_order"], inputs["treatments"])
    return asdict(found) | {
        "position_counts": {name: list(row) for name, row in found.position_counts.items()}
    }


def _blind_guess(inputs: Answer) -> Answer:
    found = designs.guess_check(**inputs)
    return {
        "p_this_many_or_more_by_chance": found.chance_of_this_many_or_more,
        "expected_by_chance": found.expected_by_chance,
    }


def _blind_matching(inputs: Answer) -> Answer:
    found = designs.matching_check(**inputs)
    return {
        "p_all_right": found.chance_of_all,
        "p_at_least_right": found.chance_of_this_many_or_more,
        "expected_right": found.expected_by_chance,
    }


def _cost_compare(inputs: Answer) -> Answer:
    a, b = (
        cost.dose_cost(
            inputs[f"{side}_price"],
            inputs[f"{side}_bottle_ml"],
            inputs[f"{side}_minimum_effective_dose_ml_per_l"],
            inputs["water_per_run_l"],
        )
        for side in "ab"
    )
    return asdict(
        cost.compare_costs(a, b, inputs["b_bottle_ml"], inputs["b_minimum_effective_dose_ml_per_l"])
    )


def _extra_gold(inputs: Answer) -> Answer:
    return asdict(
        cost.cost_per_extra_gold(
            inputs["cost_per_run"],
            inputs["extra_gold_mg_per_run"],
            inputs["extra_gold_mg_per_run_lower_95"],
            inputs["extra_gold_mg_per_run_upper_95"],
        )
    )


def _friedman_counted(inputs: Answer) -> Answer:
    found = ranks.friedman_counted(inputs["rows_are_blocks"])
    return {"rank_sum_squares_s": found.rank_sum_squares_s, "p_exact": found.p, "exact": found.exact}


def _nemenyi(inputs: Answer) -> Answer:
    found = ranks.nemenyi(inputs["rows_are_blocks"], inputs["treatments"])
    return asdict(found) | {"p": {f"{second} - {first}": p for (first, second), p in found.p.items()}}


def _ranks_against_control(inputs: Answer) -> Answer:
    found = ranks.against_control(inputs["rows_are_blocks"], inputs["treatments"], inputs["control"])
    # The case gives how far the sums lie apart.
    return {"rank_sum_difference": {pair.second: abs(pair.rank_sum_difference) for pair in found}} | {
        key: {pair.second: getattr(pair, key) for pair in found} for key in ("p_unadjusted", "p_bonferroni")
    }


def _bradley_terry(inputs: Answer) -> Answer:
    found = preference.preference(**inputs)
    return {
        "log_ability_relative_to_first": found.log_ability,
        "standard_error": found.standard_error,
        "residual_deviance": found.residual_deviance,
        "residual_df": found.residual_df,
        "probability_last_beats_first": found.chance_of_beating(found.items[-1], found.items[0]),
    }


def _step_down(inputs: Answer) -> Answer:
    values, doses, names = dose_order.runs_of_groups(inputs["groups"])
    order = [inputs["control"], *(name for name in names if name != inputs["control"])]
    found = dose_order.step_down(values, doses, order, alpha=inputs["alpha"])
    return asdict(found) | {"minimum_effective_dose_by_fixed_sequence": found.minimum_effective_dose}


def _log_logistic(inputs: Answer) -> Answer:
    start = inputs["start_bcde"]
    if start[0] < 0:
        # The same curve with the ends swapped.
        start = [-start[0], start[2], start[1], start[3]]
    found = dose_curve.log_logistic(
        inputs[inputs["dose_key"]], inputs[inputs["response_key"]], start_bcde=start
    )
    return asdict(found) | {
        "ed50_e": found.ed50.dose,
        "se_ed50": found.ed50.se,
        "ed50_lower_95": found.ed50.symmetric_lower,
        "ed50_upper_95": found.ed50.symmetric_upper,
        "ed90": found.ed90.dose,
        "se_ed90": found.ed90.se,
        "ed90_lower_95": found.ed90.symmetric_lower,
        "ed90_upper_95": found.ed90.symmetric_upper,
    }


def _broken_stick(inputs: Answer) -> Answer:
    found = dose_curve.broken_stick(inputs["dose_ml_per_l"], inputs["recovery_percent"])
    return asdict(found) | {
        "slope_per_ml_per_l": found.slope,
        "breakpoint_ml_per_l": found.breakpoint,
    }


def _clearing_rate(inputs: Answer) -> Answer:
    found = clarity.clearing_rate(**inputs)
    return asdict(found) | {"rate_lower_95": found.rate_lower, "rate_upper_95": found.rate_upper}


def _log_rank(inputs: Answer) -> Answer:
    times, outcomes = (
        {name: group[key] for name, group in inputs["groups"].items()} for key in ("time_min", "reached")
    )
    return asdict(clarity.compare_clearing(times, outcomes))


SOLVERS: dict[tuple[str, str], Callable[[Answer], Answer]] = {
    ("anova", "oneway_anova"): lambda inputs: asdict(variance.one_way(inputs["groups"])),
    ("anova", "welch_anova"): _welch,
    ("anova", "treatment_means_ci"): lambda inputs: asdict(variance.mean_intervals(**inputs)),
    ("rcbd", "rcbd_anova"): lambda inputs: asdict(
        variance.in_blocks(_transformed(inputs), inputs["confidence"])
    ),
    ("rcbd", "rcbd_missing"): lambda inputs: asdict(
        variance.in_blocks_with_missing(_transformed(inputs), inputs["control"])
    ),
    ("rcbd", "relative_efficiency"): lambda inputs: asdict(variance.in_blocks(_transformed(inputs))),
    ("latin_square", "latin_square_anova"): _latin_square,
    ("many_to_one", "dunnett"): _dunnett,
    ("many_to_one", "dunnett_blocked"): _dunnett_blocked,
    ("many_to_one", "dunnett_critical"): lambda inputs: {
        "critical_t": simultaneous.critical_t_balanced(
            inputs["treatments_besides_control"], inputs["df_error"], inputs["confidence"], inputs["sides"]
        )
    },
    ("all_pairs", "tukey"): lambda inputs: _pairs(all_pairs.tukey(**inputs)),
    ("all_pairs", "games_howell"): lambda inputs: _pairs(all_pairs.games_howell(**inputs)),
    ("ranks", "friedman"): lambda inputs: asdict(ranks.friedman(inputs["rows_are_blocks"])),
    ("ranks", "friedman_exact"): _friedman_counted,
    ("ranks", "kendall_w"): lambda inputs: asdict(ranks.kendall_w(inputs["rows_are_blocks"])),
    ("ranks", "nemenyi"): _nemenyi,
    ("ranks", "friedman_vs_control_exact"): _ranks_against_control,
    ("ranks", "kruskal"): lambda inputs: asdict(ranks.kruskal(inputs["groups"])),
    ("ranks", "page"): lambda inputs: asdict(ranks.page(inputs["rows_are_blocks"])),
    ("paired", "bradley_terry"): _bradley_terry,
    ("paired", "bradley_terry_exists"): lambda inputs: {
        "finite_abilities_exist": preference.finite_abilities_exist(inputs["wins_row_over_column"])
    },
    ("dose_order", "jonckheere"): lambda inputs: asdict(dose_order.jonckheere(inputs["groups"])),
    ("dose_order", "isotonic"): lambda inputs: {"isotonic_means": dose_order.isotonic_means(**inputs)},
    ("dose_order", "williams"): lambda inputs: asdict(dose_order.williams(**inputs)),
    ("dose_order", "williams_from_raw"): lambda inputs: asdict(
        dose_order.williams_of_runs(*dose_order.runs_of_groups(inputs["groups"]))
    ),
    ("dose_order", "williams_critical"): lambda inputs: {
        "critical_t": dose_order.williams_critical(
            [1] * inputs["doses_besides_control"], 1, inputs["df_error"], inputs["confidence"]
        )
    },
    ("dose_order", "step_down_t"): _step_down,
    ("dose_curve", "loglogistic4"): _log_logistic,
    ("dose_curve", "lin_plateau"): _broken_stick,
    ("dose_next", "next_dose_geometric"): lambda inputs: {
        "next_dose_ml_per_l": next_dose.dose_between(**inputs)
    },
    ("combination", "factorial_2way"): lambda inputs: asdict(combination.two_factors(inputs["cells"])),
    ("combination", "interaction_2x2"): lambda inputs: asdict(combination.interaction(**inputs)),
    ("combination", "bliss_hsa"): lambda inputs: asdict(combination.excess(**inputs)),
    ("equivalence", "tost_two_sample"): lambda inputs: _tost_two(
        equivalence.summarise(inputs["x"]), equivalence.summarise(inputs["y"]), inputs
    ),
    ("equivalence", "tost_summary"): lambda inputs: _tost_two(
        _summary(inputs, "1"), _summary(inputs, "2"), inputs
    ),
    ("equivalence", "tost_one_sample_summary"): _tost_one,
    ("equivalence", "tost_paired"): _tost_paired,
    ("equivalence", "tost_ratio"): _tost_ratio,
    ("equivalence", "noninferiority"): _not_worse,
    ("verdict", "verdict_flags"): _flags,
    ("power", "power_t"): lambda inputs: {"power": power.power_t(inputs["n_per_group"], **_t_test(inputs))},
    ("power", "n_for_t"): _n_for_t,
    ("power", "detectable_difference"): lambda inputs: {
        "difference": power.detectable_difference(inputs["n_per_group"], **_t_test(inputs))
    },
    ("power", "power_anova"): _power_anova,
    ("power", "n_for_anova"): _n_for_anova,
    ("power", "power_rcbd"): lambda inputs: asdict(power.power_f_in_blocks(**inputs)),
    ("power", "n_lognormal"): _n_lognormal,
    ("power", "detectable_ratio"): _detectable_ratio,
    ("power", "power_tost"): _power_tost,
    ("counts", "poisson_ci"): lambda inputs: asdict(counts.count_interval(**inputs)),
    ("counts", "poisson_two_exact"): _two_counts,
    ("counts", "e_test"): _e_test,
    ("counts", "dispersion_index"): _dispersion,
    ("counts", "poisson_glm_dispersion"): _count_glm,
    ("counts", "negbin_groups"): _negative_binomial,
    ("design", "design_df"): lambda inputs: asdict(designs.design_size(**inputs)),
    ("design", "rcbd_check"): _plan_check,
    ("design", "latin_check"): lambda inputs: asdict(designs.check_square(inputs["square"])),
    ("design", "blind_guess"): _blind_guess,
    ("design", "blind_matching"): _blind_matching,
    ("cost", "cost"): lambda inputs: asdict(cost.dose_cost(**inputs)),
    ("cost", "cost_compare"): _cost_compare,
    ("cost", "cost_per_extra_gold"): _extra_gold,
    ("settling", "stokes"): lambda inputs: asdict(settling.stokes(**inputs, beyond_its_end=True)),
    ("settling", "drag_velocity"): lambda inputs: asdict(settling.by_drag(**inputs)),
    ("settling", "ferguson_church"): lambda inputs: {
        "velocity_mm_s": settling.ferguson_church_mm_s(**inputs)
    },
    ("settling", "richardson_zaki"): lambda inputs: {
        "hindered_velocity_mm_s": settling.hindered_mm_s(**inputs)
    },
    ("settling", "richardson_zaki_fraction"): lambda inputs: {
        "solids_volume_fraction": settling.solids_fraction_from_speed(**inputs)
    },
    ("settling", "richardson_zaki_index"): lambda inputs: {"index_n": settling.crowding_index(**inputs)},
    ("settling", "solids_fraction"): lambda inputs: {
        "solids_volume_fraction": settling.solids_fraction(**inputs)
    },
    ("clarity", "decay_log_linear"): _clearing_rate,
    ("clarity", "decay_with_floor"): lambda inputs: asdict(clarity.clearing_with_floor(**inputs)),
    ("clarity", "time_interpolated"): lambda inputs: asdict(clarity.time_to_target(**inputs)),
    ("clarity", "logrank"): _log_rank,
}
