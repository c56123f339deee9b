{{ response_by_grade(
    ref('responses'), ref('response_rules'), ref('measurement_noise')
) }}
