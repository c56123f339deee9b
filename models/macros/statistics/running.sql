{#- Frames of running sums within `by`, in the order of `time`: all rows up to the current one, and
    all from the current one on. -#}
{% macro until_now(by) -%}
    partition by {{ by }} order by time nulls last
    rows between unbounded preceding and current row
{%- endmacro %}


{% macro from_now(by) -%}
    partition by {{ by }} order by time nulls last
    rows between current row and unbounded following
{%- endmacro %}


{#- By how much the sum over clusters of one x other changes at a time; an aggregate. A cluster's
    state before and after the time stands in columns `<name>_before` and `<name>_after`, and in
    `alike` how many clusters the row stands for. -#}
{% macro change_of_product(one, other) -%}
    {{ exact_sum(
        'alike * (' ~ one ~ '_after * ' ~ other ~ '_after - '
        ~ one ~ '_before * ' ~ other ~ '_before)'
    ) }}
{%- endmacro %}
