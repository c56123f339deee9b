{#- 95 % limits of a share that falls with time, from its standard error, by the log-log transform.

        share ^ exp(+/- z error / (share ln share))

    share   a survival, in 0 to 1
    error   its standard error

    Never outside 0 to 1; null where the share is 0 or 1, since no error is known there.
    Source: Kalbfleisch JD, Prentice RL (1980, from memory), as R's survival gives it with
    conf.type = "log-log" and lifelines by default. -#}
{% macro log_log_low(share, error) -%}
    {{ _log_log_limit(share, error, '-') }}
{%- endmacro %}


{% macro log_log_high(share, error) -%}
    {{ _log_log_limit(share, error, '+') }}
{%- endmacro %}


{% macro _log_log_limit(share, error, sign) -%}
    case
            when {{ share }} > 0 and {{ share }} < 1
                then power(
                    {{ share }},
                    exp({{ sign }}{{ z_95() }} * {{ error }} / ({{ share }} * ln({{ share }})))
                )
        end
{%- endmacro %}
