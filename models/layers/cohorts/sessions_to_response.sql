{%- set cause = {'censored': 0, 'responded': 1, 'stopped': 2} -%}
{%- set grain = ['rule', 'grading', 'grade', 'site', 'protocol', 'course_kind'] -%}
with
begun as (
    {{ begun_courses(ref('responses')) }}
),

-- A response is confirmed by the next evaluation, or is the last one seen.
evaluated as (
    select
        course_id,
        rule,
        eye,
        session_number,
        responding
        and lead(responding, 1, true) over (
            partition by course_id, rule, eye
            order by session_number nulls last
        ) as confirmed
    from {{ ref('session_responses') }}
    where measured
),

summarised as (
    select
        course_id,
        rule,
        eye,
        min(session_number) filter (where confirmed) as first_response,
        max(session_number) as last_evaluated
    from evaluated
    group by course_id, rule, eye
),

timed as (
    select
        begun.rule,
        begun.grading,
        begun.grade,
        begun.site,
        begun.protocol,
        begun.course_kind,
        begun.patient_key,
        case
            when summarised.first_response is not null then {{ cause.responded }}
            when begun.state = 'stopped' then {{ cause.stopped }}
            else {{ cause.censored }}
        end as cause,
        coalesce(
            summarised.first_response,
            summarised.last_evaluated,
            case when begun.state = 'stopped' then 1 end
        ) as session_number
    from begun
    left join summarised
        on {{ same(['course_id', 'rule', 'eye'], 'begun', 'summarised') }}
),

followed as (
    select * from timed where session_number is not null
),

crowds as (
    {{ one_of_alike(
        'followed',
        keys=['rule', 'grading'],
        columns=['site', 'grade', 'protocol', 'course_kind', 'cause', 'session_number'],
    ) }}
),

members as (
    {{ in_every_total(
        'crowds',
        columns=['rule', 'grading', 'patient_key', 'alike', 'cause', 'session_number'],
        dimensions=['grade', 'site', 'protocol', 'course_kind'],
    ) }}
),

published as (
    select * from members where course_kind in ('first', 'all')
),

cells as (
    {{ numbered_cells('published', grain) }}
),

numbered as (
    select
        cells.cell,
        published.patient_key,
        published.alike,
        published.cause,
        published.session_number
    from published
    inner join cells on {{ same(grain, 'published', 'cells') }}
),

curves as (
    {{ kaplan_meier(
        'numbered',
        ['cell'],
        time='session_number',
        event='cause = ' ~ cause.responded,
        cluster='patient_key',
        alike='alike',
    ) }}
),

incidences as (
    {{ aalen_johansen(
        'numbered',
        ['cell'],
        time='session_number',
        cause='cause',
        cluster='patient_key',
        alike='alike',
        causes=[cause.responded],
    ) }}
),

counts as (
    select
        cell,
        session_number,
        {%- for name in ['responded', 'stopped', 'censored'] %}
        sum(alike) filter (where cause = {{ cause[name] }}) as {{ name }}{{ ',' if not loop.last }}
        {%- endfor %}
    from numbered
    group by cell, session_number
),

sizes as (
    select
        cell,
        sum(alike) as members
    from numbered
    group by cell
),

steps as (
    select
        cells.*,
        sizes.members,
        numbers.number as session_number,
        {%- for name in ['responded', 'stopped', 'censored'] %}
        cast(coalesce(counts.{{ name }}, 0) as bigint) as {{ name }},
        {%- endfor %}
        counts.session_number as seen_number
    from cells
    inner join sizes on cells.cell = sizes.cell
    inner join ({{ table_ends() }}) as table_ends
        on cells.protocol = table_ends.protocol
    inner join ({{ counting(2) }}) as numbers
        on numbers.number between 1 and table_ends.sessions_planned
    left join counts on cells.cell = counts.cell and numbers.number = counts.session_number
),

placed as (
    select
        steps.*,
        members - coalesce(
            sum(responded + stopped + censored) over (
                partition by cell
                order by session_number nulls last
                rows between unbounded preceding and 1 preceding
            ),
            0
        ) as at_risk,
        max(seen_number) over (
            partition by cell
            order by session_number nulls last
            rows between unbounded preceding and current row
        ) as last_seen_number
    from steps
),

-- Courses of one baseline, amount and number of sessions fare alike when only noise moves them.
noisy as (
    select
        begun.*,
        rules.direction * begun.baseline as adverse_baseline,
        rules.direction * noise.mean as adverse_mean,
        noise.spread,
        noise.reliability,
        concat_ws('|', begun.rule, begun.baseline, begun.threshold, begun.sessions) as setting
    from begun
    inner join ({{ directed_rules() }}) as rules on begun.rule = rules.rule
    inner join {{ ref('measurement_noise') }} as noise on begun.rule = noise.rule
),

settings as (
    select distinct
        setting,
        adverse_baseline,
        threshold,
        adverse_mean,
        spread,
        reliability,
        sessions
    from noisy
),

chances as (
    {{ by_chance(
        'settings',
        ['setting'],
        baseline='adverse_baseline',
        amount='threshold',
        mean='adverse_mean',
        spread='spread',
        reliability='reliability',
        sessions='sessions',
    ) }}
),

mean_chances as (
    select
        noisy.rule,
        noisy.grading,
        {%- for column in ['grade', 'site', 'protocol', 'course_kind'] %}
        {{ level('noisy.' ~ column) }} as {{ column }},
        {%- endfor %}
        chances.session_number,
        {{ exact_sum('chances.by_chance') }} / count(*) as by_chance
    from noisy
    inner join chances on noisy.setting = chances.setting
    group by
        noisy.rule,
        noisy.grading,
        chances.session_number,
        cube(noisy.grade, noisy.site, noisy.protocol, noisy.course_kind)
),

-- Before anybody has left, nobody has responded; once nobody is left, a curve that has not ended
-- says nothing more.
joined as (
    select
        placed.*,
        case
            when placed.last_seen_number is null then 1e0
            when placed.at_risk > 0 or curves.survival = 0 then curves.survival
        end as not_yet,
        case
            when placed.last_seen_number is null then 0e0
            when placed.at_risk > 0 then curves.survival_se
        end as not_yet_se,
        case when placed.at_risk > 0 then curves.survival_low end as not_yet_low,
        case when placed.at_risk > 0 then curves.survival_high end as not_yet_high,
        case
            when placed.last_seen_number is null then 0e0
            when placed.at_risk > 0 or curves.survival = 0 then incidences.incidence
        end as incidence,
        case when placed.at_risk > 0 then incidences.incidence_low end as incidence_low,
        case when placed.at_risk > 0 then incidences.incidence_high end as incidence_high,
        mean_chances.by_chance
    from placed
    left join curves
        on placed.cell = curves.cell and placed.last_seen_number = curves.time
    left join incidences
        on
            placed.cell = incidences.cell
            and placed.last_seen_number = incidences.time
            and incidences.cause = {{ cause.responded }}
    left join mean_chances
        on {{ same(grain + ['session_number'], 'placed', 'mean_chances') }}
)

select
    rule,
    grading,
    grade,
    site,
    protocol,
    course_kind,
    session_number,
    {{ is_total(['grade', 'site', 'protocol', 'course_kind']) }} as is_total,
    cast(at_risk as bigint) as at_risk,
    responded,
    stopped,
    censored,
    not_yet,
    not_yet_se,
    not_yet_low,
    not_yet_high,
    1e0 - not_yet as responded_by,
    incidence,
    incidence_low,
    incidence_high,
    by_chance
from joined
