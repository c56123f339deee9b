{{ judged_by(
    ref('rules'),
    band_threshold('baselines.value', 'bands'),
    bands=ref('rule_bands'),
) }}
