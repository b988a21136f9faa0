package desk

import "net/http"

// stayRoutes keep a session of somebody who reads and scrolls.
var stayRoutes = []route{
	{"POST /stay", everybody, (*ask).stay},
}

// stay does nothing more than having been asked: that counts as use.
func (q *ask) stay() (*page, error) { return &page{status: http.StatusNoContent}, nil }
