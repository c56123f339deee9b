{{ judged_by(
    ref('response_rules'),
    rule_threshold('baselines.value', 'courses.symptoms_band', 'rules'),
) }}
