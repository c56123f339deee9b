{#- The natural logarithm of 1 x 2 x ... x number, for a whole number >= 0. A double. -#}
{% macro log_factorial(number) -%}
    {{ adapter.dispatch('log_factorial', 'lidcohort')(number) }}
{%- endmacro %}


{% macro duckdb__log_factorial(number) -%}
    lgamma({{ number }} + 1e0)
{%- endmacro %}


{% macro spark__log_factorial(number) -%}
    {{ fold('0e0', 'sum_of_logs + ln(factor)', number, state='sum_of_logs', number='factor') }}
{%- endmacro %}
