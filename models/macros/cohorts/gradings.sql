{#- Each row of a relation once for each grading of its severity (definition 5), with the columns
    `grading` and `grade`. The relation has symptoms_band, clinician_grade and glands_stage; a row
    whose glands_stage is null (patient-level rules) has no `glands` grading. -#}
{% macro by_grading(relation) %}
    select
        graded.*,
        gradings.grading,
        case gradings.grading
            when 'symptoms' then graded.symptoms_band
            when 'clinician' then graded.clinician_grade
            else graded.glands_stage
        end as grade
    from {{ relation }} as graded
    cross join (
        select 'symptoms' as grading
        union all
        select 'clinician' as grading
        union all
        select 'glands' as grading
    ) as gradings
    where gradings.grading <> 'glands' or graded.glands_stage is not null
{% endmacro %}
