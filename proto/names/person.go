package names

// PersonPattern is the pattern of the name of somebody who signs in.
const PersonPattern = "practices/{}/people/{}"

// Person is the name of somebody who signs in.
func Person(practice, id string) string {
	return Format(PersonPattern, Name{Practice: practice, ID: id})
}
