{#- Newcombe's 95 % limits of the difference of two proportions (his method 10).

    With p of n and q of m, and their Wilson limits (l, u) and (k, v):
        p - q - sqrt((p - l)^2 + (v - q)^2),   p - q + sqrt((u - p)^2 + (q - k)^2)

    responders, n, other_responders, other_n   0 <= responders <= n; whole or, at an effective
                                               sample size, fractions

    Null where either n is 0. Assumes two independent samples of independent rows.
    Source: Newcombe RG, Stat Med 1998;17:873-890. -#}
{% macro newcombe_low(responders, n, other_responders, other_n) -%}
    {{ _share(responders, n) }} - {{ _share(other_responders, other_n) }} - sqrt(
        power({{ _share(responders, n) }} - {{ wilson_low(responders, n) }}, 2)
        + power(
            {{ wilson_high(other_responders, other_n) }} - {{ _share(other_responders, other_n) }},
            2
        )
    )
{%- endmacro %}


{% macro newcombe_high(responders, n, other_responders, other_n) -%}
    {{ _share(responders, n) }} - {{ _share(other_responders, other_n) }} + sqrt(
        power({{ wilson_high(responders, n) }} - {{ _share(responders, n) }}, 2)
        + power(
            {{ _share(other_responders, other_n) }} - {{ wilson_low(other_responders, other_n) }},
            2
        )
    )
{%- endmacro %}


{% macro _share(part, whole) -%}
    cast({{ part }} as double) / nullif({{ whole }}, 0)
{%- endmacro %}
