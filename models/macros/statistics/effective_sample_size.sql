{#- Effective sample size of a proportion whose rows come several to a patient (definition 11).

        min(n, n V0 / V),   V0 = p (1 - p) / (n - 1),
        V = m / (m - 1) x sum over patients of (r_i - p n_i)^2 / n^2,   p = responders / n
    with r_i of n_i rows of patient i responding and m patients; m itself where V is 0 or m is 1.

    responders, n       totals over patients, whole numbers
    patients            m, those with n_i > 0
    responders_by_responders, responders_by_n, n_by_n
                        sums over patients of r_i r_i, r_i n_i and n_i n_i

    V n^4 is a whole number and is worked out as one, so that "V is 0" is exact (good up to
    n of some hundred millions). Null where n is 0. Limits at it:
        wilson_low(p * effective, effective). One row to a patient gives n.
    Source: the variance is the Taylor-linearised one of a ratio with m/(m - 1), as statsmodels
    gives it in GEE with one intercept; the rule at V = 0 is the project's. -#}
{% macro effective_sample_size(
    responders, n, patients, responders_by_responders, responders_by_n, n_by_n
) -%}
    case
        when {{ n }} = 0 then null
        when
            {{ patients }} = 1
            or {{ _spread_of_patients(
                responders, n, responders_by_responders, responders_by_n, n_by_n
            ) }} = 0
            then cast({{ patients }} as double)
        else least(
            cast({{ n }} as double),
            cast({{ responders }} as double) * ({{ n }} - {{ responders }})
            * power({{ n }}, 3) / ({{ n }} - 1)
            * ({{ patients }} - 1) / {{ patients }}
            / cast(
                {{ _spread_of_patients(
                    responders, n, responders_by_responders, responders_by_n, n_by_n
                ) }} as double
            )
        )
    end
{%- endmacro %}


{#- n^2 times the sum of (r_i - p n_i)^2, as a whole number. -#}
{% macro _spread_of_patients(
    responders, n, responders_by_responders, responders_by_n, n_by_n
) -%}
    (
                cast({{ n }} as decimal(38, 0)) * {{ n }} * {{ responders_by_responders }}
                - cast(2 as decimal(38, 0)) * {{ responders }} * {{ n }} * {{ responders_by_n }}
                + cast({{ responders }} as decimal(38, 0)) * {{ responders }} * {{ n_by_n }}
            )
{%- endmacro %}
