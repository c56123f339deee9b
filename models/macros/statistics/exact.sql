{#- Exact (Poisson) 95 % limits of a rate of events.

    With k events in n sessions the limits are those rates at which k or more, and k or fewer,
    events have a chance of .025:
        P(X >= k | n low) = .025,   P(X <= k | n high) = .025,   X Poisson

    events    k, a whole number >= 0; may exceed n (a session may harm in two ways)
    n         sessions in which harm was asked about

    In events per session: times 100 per 100 sessions. Low is 0 where k is 0; null where n is 0 or
    either is null. Assumes that events are independent of one another. With rare events these are
    the exact binomial limits too, a little wider.
    Newton's method on the logarithm of the tail, which is concave, from Wilson and Hilferty's
    approximation; the tail relative to its last term is 1 + k/x (1 + (k-1)/x (1 + ...)). Of many
    terms, those further back than 12 standard deviations add less than a double can hold: at j
    back, near the limits, a term is below exp(2 j / sqrt(k) - j^2 / (2 k)) of the last.
    Source: Garwood F, Biometrika 1936;28:437-442 (from memory). -#}
{% macro exact_low(events, n) -%}
    case
        when ({{ events }}) = 0 and ({{ n }}) > 0 then 0e0
        else {{ _poisson_limit('(' ~ events ~ ')', '(' ~ events ~ ' - 1)', '-') }}
    end / nullif({{ n }}, 0)
{%- endmacro %}


{% macro exact_high(events, n) -%}
    {{ _poisson_limit('(' ~ events ~ ' + 1)', '(' ~ events ~ ')', '+') }} / nullif({{ n }}, 0)
{%- endmacro %}


{#- The mean of a Poisson variable for which the chance of `counted` or fewer is .975 ('-') or .025
    ('+'): a quantile of the gamma distribution whose shape is counted + 1. -#}
{% macro _poisson_limit(shape, counted, sign) -%}
    {%- set terms = 'greatest(' ~ counted ~ ', 0)' -%}
    {%- set near = 'floor(least(' ~ terms ~ ', 12e0 * sqrt(' ~ terms ~ ') + 40e0))' -%}
    {%- set log_last = '(' ~ counted ~ ' * ln(mean) - mean - ' ~ log_factorial(terms) ~ ')' -%}
    {%- set further = terms ~ ' - ' ~ near -%}
    {%- set relative = fold('1e0', '1e0 + (' ~ further ~ ' + number) / mean * state', near) -%}
    {%- if sign == '+' -%}
    {%- set step = (
        'mean + (' ~ log_last ~ ' + ln(' ~ relative ~ ') - ln(0.025e0)) * ' ~ relative
    ) -%}
    {%- else -%}
    {%- set tail = '(1e0 - exp(' ~ log_last ~ ') * ' ~ relative ~ ')' -%}
    {%- set step = (
        'mean + (ln(0.025e0) - ln(' ~ tail ~ ')) * ' ~ tail ~ ' / exp(' ~ log_last ~ ')'
    ) -%}
    {%- endif -%}
    {%- set start = (
        shape ~ ' * power(1e0 - 1e0 / (9e0 * ' ~ shape ~ ') '
        ~ sign ~ ' ' ~ z_95() ~ ' / (3e0 * sqrt(' ~ shape ~ ')), 3)'
    ) -%}
    {{ fold(start, step, 5, state='mean', number='round') }}
{%- endmacro %}
