package names

// The patterns of what belongs to follow-ups and messages.
const (
	MessagePattern       = "practices/{}/messages/{}"
	MessagePolicyPattern = "practices/{}/messagePolicy"
)

// Message is the name of a message to a patient.
func Message(practice, id string) string {
	return Format(MessagePattern, Name{Practice: practice, ID: id})
}

// MessagePolicy is the name of what a practice chose about messages.
func MessagePolicy(practice string) string {
	return Format(MessagePolicyPattern, Name{Practice: practice})
}
