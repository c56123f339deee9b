{#- Runs of two among independent trials of one chance. With c(n) the chance of no two running
    among n,
        c(n) = ((1 - v) u^n - (1 - u) v^n) / (u - v),
        u, v = (1 - q +/- sqrt((1 - q) (1 + 3 q))) / 2
    the solution of c(n) = (1 - q) c(n - 1) + q (1 - q) c(n - 2), c(0) = c(1) = 1. -#}


{#- The columns that none_two_running reads: gap (u - v), upper_root, lower_root.
    chance   q, a double from 0 to 1 -#}
{% macro two_running_roots(chance) -%}
    sqrt((1e0 - {{ chance }}) * (1e0 + 3e0 * {{ chance }})) as gap,
            (1e0 - {{ chance }} + sqrt((1e0 - {{ chance }}) * (1e0 + 3e0 * {{ chance }}))) / 2e0
                as upper_root,
            (1e0 - {{ chance }} - sqrt((1e0 - {{ chance }}) * (1e0 + 3e0 * {{ chance }}))) / 2e0
                as lower_root
{%- endmacro %}


{#- The chance of no two running among so many trials: c(n). -#}
{% macro none_two_running(trials) -%}
    case
                    when {{ trials }} < 2 then 1e0
                    when gap = 0 then 0e0
                    else (
                        (1e0 - lower_root) * power(upper_root, {{ trials }})
                        - (1e0 - upper_root) * power(lower_root, {{ trials }})
                    ) / gap
                end
{%- endmacro %}
