{#- The chance that a chi-square variable exceeds x.

    With y = x / 2 and an even number of degrees 2 m:
        exp(-y) (1 + y/1 (1 + y/2 (... (1 + y/(m - 1)))))
    and with an odd number 2 m + 1:
        2 Phi(-sqrt x) + sqrt(2 x / pi) exp(-y) (1 + x/3 (1 + x/5 (... (1 + x/(2 m - 1)))))

    x         a number >= 0
    degrees   whole number >= 1

    Null where either is null. Source: repeated integration by parts of the density. -#}
{% macro chi_square_above(x, degrees) -%}
    {%- set x, degrees = '(' ~ x ~ ')', '(' ~ degrees ~ ')' -%}
    case
        when {{ x }} is null or {{ degrees }} is null then null
        when mod({{ degrees }}, 2) = 0
            then exp(-{{ x }} / 2e0) * {{ fold(
                '1e0',
                '1e0 + ' ~ x ~ ' / (' ~ degrees ~ ' - 2e0 * number) * state',
                degrees ~ ' / 2 - 1',
            ) }}
        when {{ degrees }} = 1 then {{ two_sided_p('sqrt(' ~ x ~ ')') }}
        else
            {{ two_sided_p('sqrt(' ~ x ~ ')') }}
            + sqrt(2e0 * {{ x }} / pi()) * exp(-{{ x }} / 2e0) * {{ fold(
                '1e0',
                '1e0 + ' ~ x ~ ' / (' ~ degrees ~ ' - 2e0 * number) * state',
                '(' ~ degrees ~ ' - 3) / 2',
            ) }}
    end
{%- endmacro %}
