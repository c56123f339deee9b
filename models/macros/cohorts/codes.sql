{#- Codes of the export contract that tables spell out; a test holds them to the contract. -#}
{% macro harm_codes() %}
    {{- return(['redness', 'discomfort', 'swelling', 'blister', 'burn', 'corneal', 'other']) -}}
{% endmacro %}


{% macro harm_severities() %}
    {{- return(['mild', 'moderate', 'severe', 'unknown']) -}}
{% endmacro %}


{% macro end_reasons() %}
    {{- return([
        'completed', 'improved_enough', 'no_benefit', 'adverse_event', 'cost', 'discomfort',
        'moved', 'lost_contact', 'died', 'other', 'unknown',
    ]) -}}
{% endmacro %}


{% macro plan_decisions() %}
    {{- return([
        'recommended', 'accepted', 'declined', 'deferred', 'not_suitable', 'home_care_first',
    ]) -}}
{% endmacro %}


{#- How a maintenance interval stands or ended (definition 9), in the order published. -#}
{% macro interval_statuses() %}
    {{- return(['early', 'on_time', 'late', 'overdue', 'due', 'not_due', 'new_course']) -}}
{% endmacro %}


{#- Outcomes of a course that is evaluable by a rule (definition 7): what follows `in`. -#}
{% macro evaluable_outcomes() -%}
    ('responder', 'unchanged', 'worsened')
{%- endmacro %}
