{#- Points of the standard normal distribution and their weights, for the average of a smooth
    function over it by the trapezoidal rule: 33 points half a deviation apart, exact to about 1e-9.
    Columns: deviation, weight (the weights add up to 1). -#}
{% macro normal_points() %}
    select
        deviation,
        exp(-deviation * deviation / 2e0) / (2e0 * sqrt(2e0 * pi())) as weight
    from (
        select (number - 16) / 2e0 as deviation
        from ({{ counting(2) | indent(8) }}) as numbers
        where number <= 32
    ) as points
{% endmacro %}
