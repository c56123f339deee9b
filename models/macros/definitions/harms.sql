{#- What a harm is called on pages and in group.toml, within its site: the start of its report's
    key, or of its session's key with the eye's initial. -#}
{% macro harm_key(key, eye=none) -%}
    substring({{ key }}, 1, 16)
    {%- if eye is not none %} || '-' || substring({{ eye }}, 1, 1){% endif %}
{%- endmacro %}


{#- A reported harm's severity as a number that grows with it. -#}
{% macro harm_rank(severity) -%}
    case {{ severity }} when 'mild' then 1 when 'moderate' then 2 when 'severe' then 3 end
{%- endmacro %}
