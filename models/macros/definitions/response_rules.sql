{#- Definition 6: the number a rule asks for at this baseline, null where the rule does not apply.

    baseline: the measure's value before treatment.
    symptoms_band: the course's, which may decide the number.
    rules: the seed response_rules, or a relation with its columns. -#}
{% macro rule_threshold(baseline, symptoms_band, rules) -%}
    case
        when {{ rules }}.baseline_below is not null and {{ baseline }} >= {{ rules }}.baseline_below
            then null
        when
            {{ rules }}.baseline_at_most is not null
            and {{ baseline }} > {{ rules }}.baseline_at_most
            then null
        when {{ baseline }} is not null
            then
                case {{ symptoms_band }}
                    when 'normal' then {{ rules }}.amount_normal
                    when 'mild' then {{ rules }}.amount_mild
                    when 'moderate' then {{ rules }}.amount_moderate
                    when 'severe' then {{ rules }}.amount_severe
                    else {{ rules }}.amount_unknown
                end
    end
{%- endmacro %}
