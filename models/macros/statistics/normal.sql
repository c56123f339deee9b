{#- The normal distribution function: the chance that a standard normal variable is below x.

    With steps of h = 1/2, t_k = (k - 1/2) h and |x| = sqrt(2) a:
        erfc(a) = exp(-a^2) (2 h a / pi) sum over k of exp(-t_k^2) / (t_k^2 + a^2)
                  + 2 / (1 + exp(2 pi a / h))
    which is the midpoint rule for an integral along the line and the residue of its pole; good to
    1e-12 of the smaller tail, however small that is, and to 1e-15 in itself.

    x   a finite number; null gives null
    Source: trapezoidal rule with a pole, Hunter DB, Regan T, Math Comp 1972;26:539-541
    (from memory); the midpoint form is the project's own working. -#}
{% macro normal_below(x) -%}
    (case when ({{ x }}) > 0 then 1e0 else 0e0 end
    + case when ({{ x }}) > 0 then -1e0 else 1e0 end * {{ _normal_tail(x) }})
{%- endmacro %}


{#- The chance that chance alone gives an estimate at least as far from 0 as this one.

    z   the estimate over its error; null gives null -#}
{% macro two_sided_p(z) -%}
    2e0 * {{ _normal_tail(z) }}
{%- endmacro %}


{% macro _normal_tail(x) -%}
    {%- set x = '(' ~ x ~ ')' -%}
    (
            exp(-{{ x }} * {{ x }} / 2e0) * abs({{ x }}) / (sqrt(8e0) * pi()) * (
                {%- for k in range(1, 14) %}
                {{ '+ ' if not loop.first }}exp(-{{ (2 * k - 1) ** 2 / 16 }}e0)
                / ({{ (2 * k - 1) ** 2 / 16 }}e0 + {{ x }} * {{ x }} / 2e0)
                {%- endfor %}
            )
            + case
                when abs({{ x }}) < 8 then 1e0 / (1e0 + exp(sqrt(8e0) * pi() * abs({{ x }})))
                else 0e0
            end
        )
{%- endmacro %}
