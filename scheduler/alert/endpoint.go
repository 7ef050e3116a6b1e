package alert

// Events about endpoints themselves.
const (
	EventTest     = "endpoint.test"     // says nothing, to see whether it arrives
	EventDisabled = "endpoint.disabled" // to the other endpoints
	EventRestored = "endpoint.restored" // to the other endpoints
)
