{#- Wilson's 95 % limits of a proportion (definition 11).

    With z = 1.959963984540054 and r responders of n:
        (2 r + z^2 -/+ z sqrt(z^2 + 4 r (n - r) / n)) / (2 (n + z^2))

    responders, n   0 <= responders <= n; whole or, at an effective sample size
                    (effective_sample_size.sql), fractions

    Null where n is 0 or either is null; exactly 0 below none, exactly 1 above all. Assumes
    independent rows: give the effective numbers where a patient gives several.
    Source: Wilson's score interval, as in Newcombe RG, Stat Med 1998;17:857-872 (from memory). -#}
{% macro wilson_low(responders, n) -%}
    case
        when ({{ responders }}) <= 0 and ({{ n }}) > 0 then 0e0
        else {{ _wilson_limit(responders, n, '-') }}
    end
{%- endmacro %}


{% macro wilson_high(responders, n) -%}
    case
        when ({{ responders }}) >= ({{ n }}) and ({{ n }}) > 0 then 1e0
        else {{ _wilson_limit(responders, n, '+') }}
    end
{%- endmacro %}


{% macro _wilson_limit(responders, n, sign) -%}
    {%- set r, n, z = '(' ~ responders ~ ')', '(' ~ n ~ ')', z_95() -%}
    (
            2e0 * {{ r }} + {{ z }} * {{ z }}
            {{ sign }} {{ z }} * sqrt(
                {{ z }} * {{ z }} + 4e0 * {{ r }} * ({{ n }} - {{ r }}) / nullif({{ n }}, 0)
            )
        ) / (2e0 * ({{ n }} + {{ z }} * {{ z }}))
{%- endmacro %}


{#- The standard normal quantile at .975, which sets every 95 % limit of the project. -#}
{% macro z_95() -%}
    1.959963984540054e0
{%- endmacro %}
