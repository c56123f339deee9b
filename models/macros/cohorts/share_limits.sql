{#- Limits of a share at the effective sample size (definition 11), from the columns of
    clustered_totals. -#}
{% macro share_low(share) -%}
    {{ wilson_low(share ~ ' * effective_size', 'effective_size') }}
{%- endmacro %}


{% macro share_high(share) -%}
    {{ wilson_high(share ~ ' * effective_size', 'effective_size') }}
{%- endmacro %}
