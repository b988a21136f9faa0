package fortnight

func (p *player) fill(h *house) error { return nil }
