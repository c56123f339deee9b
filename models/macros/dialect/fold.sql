{#- A value worked on once for each whole number from 1 to `times`: the last value of
        state := step(state, number), starting from `start`.

    start, step   double expressions; step may name `state` and `number` (a double)
    times         whole-number expression >= 0; 0 gives `start`
    state, number names that no column in reach bears; folds nest under different names -#}
{% macro fold(start, step, times, state='state', number='number') -%}
    {{ adapter.dispatch('fold', 'lidcohort')(start, step, times, state, number) }}
{%- endmacro %}


{% macro duckdb__fold(start, step, times, state, number) -%}
    list_reduce(
        cast(range(1, 1 + cast({{ times }} as bigint)) as double[]),
        lambda {{ state }}, {{ number }}: {{ step }},
        {{ start }}
    )
{%- endmacro %}


{% macro spark__fold(start, step, times, state, number) -%}
    aggregate(
        filter(sequence(0, cast({{ times }} as bigint)), {{ number }} -> {{ number }} > 0),
        {{ start }},
        ({{ state }}, {{ number }}) -> {{ step }}
    )
{%- endmacro %}
