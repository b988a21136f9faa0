package diary

// Forget drops what earlier searches found, so that the next one is the first.
func (m *Masks) Forget() { m.floors = new(knownFloors) }
