{#- Definition 4: how far a value is better than baseline, exact to six places; null where either is
    missing. -#}
{% macro improvement(baseline, value, better) -%}
    cast(
        case {{ better }}
            when 'lower' then {{ baseline }} - {{ value }}
            when 'higher' then {{ value }} - {{ baseline }}
        end as decimal(18, 6)
    )
{%- endmacro %}


{#- Definition 6: the improvement reaches the rule's number. -#}
{% macro responds(improvement, threshold) -%}
    {{ improvement }} >= {{ threshold }}
{%- endmacro %}


{#- Definition 6: the mirror of a response. -#}
{% macro worsens(improvement, threshold) -%}
    {{ improvement }} <= -{{ threshold }}
{%- endmacro %}
