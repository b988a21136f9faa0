package reminder

// Wording returns the neutral English text that ships for a kind, or false for
// a kind that has none.
func Wording(k Kind) (Template, bool) {
	t, ok := wording[k]
	t.Kind, t.Language = k, "en"
	return t, ok
}

const closing = "\n\nIf the time does not suit, please call [phone].\n\n[practice]\n"

var wording = map[Kind]Template{
	Confirmation: {
		Subject: "Your appointment on [day]",
		Body:    "Your appointment is on [day] at [time]." + closing,
	},
	Moved: {
		Subject: "Your appointment has a new time",
		Body:    "Your appointment is now on [day] at [time]. The earlier time no longer holds." + closing,
	},
	Cancelled: {
		Subject: "Your appointment will not take place",
		Body:    "The appointment on [day] at [time] has been cancelled. Please call [phone] to arrange another.\n\n[practice]\n",
	},
	Upcoming: {
		Subject: "Reminder: your appointment on [day]",
		Body:    "This is a reminder of your appointment on [day] at [time]." + closing,
	},
	ReturnOverdue: {
		Subject: "Please call us",
		Body:    "A visit that should have followed your last one has not been arranged yet. Please call [phone] as soon as you can.\n\nWith swelling, fever, or trouble swallowing, breathing or opening your mouth, do not wait for us: seek urgent care.\n\n[practice]\n",
	},
	RestorationOpen: {
		Subject: "Please arrange your next visit",
		Body:    "One more visit is needed to finish your treatment. Please call [phone] to arrange it; if it has been done elsewhere, please let us know.\n\n[practice]\n",
	},
	ReviewInvitation: {
		Subject: "It is time for your check-up",
		Body:    "We would like to see you for a short check-up around [day]. Please call [phone] to arrange it, even if everything feels well.\n\n[practice]\n",
	},
}
