package desk

import (
	"net/http"
	"slices"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// route is one page or one action.
type route struct {
	// pattern as http.ServeMux reads it: "GET /patients/{patient}".
	pattern string
	// roles that find the page; empty means everybody who is signed in. The
	// service decides what is allowed, whatever stands here.
	roles  []vw.Role
	answer func(*ask) (*page, error)
}

// Roles, by what they do on the desk.
var (
	everybody  []vw.Role
	careTeam   = []vw.Role{vw.Role_ROLE_RECEPTION, vw.Role_ROLE_NURSE, vw.Role_ROLE_CLINICIAN}
	clinical   = []vw.Role{vw.Role_ROLE_NURSE, vw.Role_ROLE_CLINICIAN}
	clinicians = []vw.Role{vw.Role_ROLE_CLINICIAN}
	managers   = []vw.Role{vw.Role_ROLE_MANAGER}
)

// routes are the pages of all files, each file's own.
func routes() []route {
	return slices.Concat(
		nowRoutes,
		stayRoutes,
		dueRoutes,
		paceRoutes,
		practiceRoutes,
		hoursRoutes,
		estimateRoutes,
		peopleRoutes,
		messageRoutes,
		recordRoutes,
		patientRoutes,
		caseRoutes,
		assessRoutes,
		optionRoutes,
		reviewRoutes,
		dayRoutes,
		bookingRoutes,
		appointmentRoutes,
		shortNoticeRoutes,
		callRoutes,
		chairRoutes,
		sheetRoutes,
		reportRoutes,
		careRoutes,
	)
}

// mux is every address that the desk answers.
func (d *Desk) mux() http.Handler {
	m := http.NewServeMux()
	m.Handle("GET /static/", d.assets)
	m.HandleFunc("GET /sign-in", d.showSignIn)
	m.HandleFunc("POST /sign-in", d.signIn)
	m.HandleFunc("POST /sign-out", d.signOut)
	m.HandleFunc("GET /live", d.live)
	for _, r := range routes() {
		m.HandleFunc(r.pattern, d.signedIn(r))
	}
	m.HandleFunc("GET /", d.signedIn(route{answer: func(*ask) (*page, error) { return nil, errNoPage }}))
	return m
}
