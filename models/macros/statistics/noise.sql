{#- What measurement noise alone brings about (definition 14).

    A value is a true value and noise; over patients its mean is `mean` and its spread (standard
    deviation) `spread`, and `reliability`, 0 to 1, is the share of its variance that is true: the
    correlation of two measurements of patients in whom nothing changes. All in the measure's own
    unit, lower is better; give the negative of values and mean where higher is better. Assumes
    normal distributions, noise alike for all and independent between measurements. -#}


{#- Mean improvement on re-measuring patients whose mean was `baseline`, nothing having changed:
        (1 - reliability) (baseline - mean)
    Source: Barnett AG et al., Int J Epidemiol 2005;34:215-220. -#}
{% macro regression_to_the_mean(baseline, mean, reliability) -%}
    (1e0 - ({{ reliability }})) * (({{ baseline }}) - ({{ mean }}))
{%- endmacro %}


{#- The same for patients selected because their value lay above (or below) a cut:
        spread (1 - reliability) C,   C = phi(z) / (1 - Phi(z)),   z = (cut - mean) / spread
    always towards the mean and given as a size >= 0; z changes its sign for `below`.
    Source: Barnett AG et al., Int J Epidemiol 2005;34:215-220. -#}
{% macro regression_past_a_cut(cut, mean, spread, reliability, side='above') -%}
    {%- set z = '((' ~ cut ~ ') - (' ~ mean ~ ')) / (' ~ spread ~ ')' -%}
    ({{ spread }}) * (1e0 - ({{ reliability }}))
    * exp(-power({{ z }}, 2) / 2e0) / sqrt(2e0 * pi())
    / {{ normal_below(('-' if side == 'above' else '') ~ '(' ~ z ~ ')') }}
{%- endmacro %}


{#- The chance that a second value lies at least `amount` below a first one of `baseline`, nothing
    having changed. Given the first, the second is normal with mean
    mean + reliability (baseline - mean) and variance spread^2 (1 - reliability^2).
    0 where there is no noise; null where anything is. Source: bivariate normal distribution. -#}
{% macro chance_improvement(baseline, amount, mean, spread, reliability) -%}
    case
        when ({{ spread }}) * (1e0 - ({{ reliability }})) = 0
            then case when ({{ baseline }}) + ({{ amount }}) is not null then 0e0 end
        else {{ normal_below(
            '((1e0 - (' ~ reliability ~ ')) * ((' ~ baseline ~ ') - (' ~ mean ~ ')) - ('
            ~ amount ~ ')) / ((' ~ spread ~ ') * sqrt(1e0 - power(' ~ reliability ~ ', 2)))'
        ) }}
    end
{%- endmacro %}
