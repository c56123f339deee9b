{#- What a rule made of bands asks for at this baseline: the band's amount, or its share of the
    baseline; null where no band holds the baseline, or the share comes to nothing.

    baseline   the measure's value before treatment
    bands      a relation with amount and share, one of which is null -#}
{% macro band_threshold(baseline, bands) -%}
    coalesce(
        {{ bands }}.amount,
        nullif(cast({{ baseline }} * {{ bands }}.share as decimal(18, 6)), 0)
    )
{%- endmacro %}
