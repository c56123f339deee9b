{{ noise_of_rules(ref('response_rules')) }}
