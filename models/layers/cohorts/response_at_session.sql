{{ response_at_session(ref('responses'), ref('session_responses')) }}
