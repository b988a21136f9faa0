package scheduler

import "strconv"

// plural writes "1 day" and "2 days".
func plural(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return strconv.Itoa(n) + " " + noun + "s"
}
