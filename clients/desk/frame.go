package desk

// place is one entry of the bar.
type place struct{ Section, Path, Text string }

// places are the entries of the bar by role: nobody sees what is not theirs.
func (v *view) Places() []place {
	var out []place
	for _, p := range []struct {
		section, path string
		roles         []string
	}{
		{"now", "/", nil},
		{"day", "/day", []string{"reception", "nurse", "clinician"}},
		{"patients", "/patients", []string{"reception", "nurse", "clinician"}},
		{"due", "/due", []string{"reception", "nurse", "clinician"}},
		{"call", "/call", []string{"reception", "nurse", "clinician"}},
		{"pace", "/pace", []string{"clinician", "manager"}},
		{"practice", "/practice", nil},
	} {
		if len(p.roles) == 0 || v.May(p.roles...) {
			out = append(out, place{Section: p.section, Path: p.path, Text: v.T("bar." + p.section)})
		}
	}
	return out
}

// IdleSeconds is after how long without work the page locks; 0 means never.
func (v *view) IdleSeconds() int64 { return v.Me.GetIdleLimit().GetSeconds() }

// Language is the language of the texts, as HTML names it.
func (v *view) Language() string { return v.language }
