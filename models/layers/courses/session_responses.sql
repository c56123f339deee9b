{{ responses_at_sessions(ref('responses'), ref('response_rules')) }}
