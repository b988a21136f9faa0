package desk

import (
	"net/http"
	"net/url"

	"golang.org/x/sync/errgroup"

	"github.com/visitwright/visitwright/clients/occasion"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var callRoutes = []route{
	{"GET /call", careTeam, (*ask).callPage},
	{"POST /call", careTeam, (*ask).callAnswer},
}

// callPage is an urgent call, step by step: questions, then the practice's
// instruction when a flag is raised, then who calls, then the next places. What
// was answered travels along in the form: nothing is kept before a booking.
type callPage struct {
	Form *form
	// Step is questions, instruction, who or places.
	Step        string
	Questions   []*vw.RedFlagQuestion
	Answers     []flagAnswer
	Raised      []string
	Instruction string
	Found       []whomLine
	Searched    bool
	Who         string
	Places      []*callPlace
	Text        string
	// Troubles are the answers to what is wrong, Trouble the one given, in words.
	Troubles []option
	Trouble  string
}

// askTrouble prepares the question what is wrong, and reads its answer.
func (q *ask) askTrouble(p *callPage) {
	p.Form.Set("trouble", p.trouble())
	p.Troubles = []option{{Text: q.t("call.trouble-none")}}
	for _, kind := range occasion.Troubles {
		p.Troubles = append(p.Troubles, option{Value: kind, Text: q.t("call.trouble-" + kind)})
	}
	p.Form.Set("trouble-words", p.words())
	p.Trouble = q.troubleWords(p.trouble(), p.words())
}

type flagAnswer struct {
	ID, Value string
}

type callPlace struct {
	*placeView
	Sealed  string
	Reserve bool
}

func (q *ask) callPage() (*page, error) {
	p := &callPage{Form: newForm(url.Values{}), Step: "questions"}
	var err error
	p.Questions, err = q.redFlags()
	return q.callShow(p), err
}

func (q *ask) callShow(p *callPage) *page {
	q.askTrouble(p)
	out := &page{name: "call", title: q.t("call.title"), section: "call", data: p}
	if !p.Form.ok() {
		out.status = http.StatusUnprocessableEntity
	}
	return out
}

func (q *ask) redFlags() ([]*vw.RedFlagQuestion, error) {
	got, err := q.diary().ListRedFlagQuestions(q, &vw.ListRedFlagQuestionsRequest{Parent: q.practice, PageSize: mostInList})
	return got.GetQuestions(), err
}

// callAnswer takes the call one step on. Whatever is sent, the questions come
// first: an unanswered one leads back to them.
func (q *ask) callAnswer() (*page, error) {
	f := q.typed()
	p := &callPage{Form: f}
	var err error
	if p.Questions, err = q.redFlags(); err != nil {
		return nil, err
	}
	var answers []*vw.RedFlagAnswer
	for _, question := range p.Questions {
		switch value := f.Get("flag-" + question.GetId()); value {
		case "yes", "no":
			answers = append(answers, &vw.RedFlagAnswer{Question: question.GetId(), Yes: value == "yes"})
			p.Answers = append(p.Answers, flagAnswer{question.GetId(), value})
		default:
			f.wrong("flag-"+question.GetId(), q.t("call.unanswered"))
		}
	}
	if !f.ok() {
		p.Step = "questions"
		return q.callShow(p), nil
	}
	r := &vw.FindEmergencyPlaceRequest{Parent: q.practice, Answers: answers, InstructionAcknowledged: f.Get("read-out") == "yes", MostPlaces: mostOffers}
	if f.Get("minutes") != "" {
		r.Minutes = q.lengthTyped(f)
	}
	if id := f.Get("patient"); id != "" {
		r.Patient = q.name("patients", id)
	}
	return q.callOn(p, r)
}

// callOn finds out how far the call has come.
func (q *ask) callOn(p *callPage, r *vw.FindEmergencyPlaceRequest) (*page, error) {
	f := p.Form
	got, err := q.diary().FindEmergencyPlace(q, r)
	if err != nil {
		if !f.refused(err, map[string]string{"minutes": "minutes", "patient": "patient"}) {
			return nil, err
		}
		got = &vw.FindEmergencyPlaceResponse{}
		if len(f.Wrong) == 0 {
			return q.callShow(p), nil
		}
	}
	for _, id := range got.GetRaisedFlags() {
		for _, question := range p.Questions {
			if question.GetId() == id {
				p.Raised = append(p.Raised, question.GetText())
			}
		}
	}
	p.Instruction = got.GetUrgentInstruction()
	if len(p.Raised) > 0 && !r.GetInstructionAcknowledged() {
		if f.Get("step") == "instruction" {
			f.wrong("read-out", q.t("call.read-first"))
		}
		p.Step = "instruction"
		return q.callShow(p), nil
	}
	if f.Get("do") == "new" {
		if err := q.callNewPatient(p, r); err != nil {
			return nil, err
		}
		if r.GetPatient() != "" {
			if got, err = q.diary().FindEmergencyPlace(q, r); err != nil {
				return nil, err
			}
		}
	}
	if r.GetPatient() == "" {
		return q.callWho(p)
	}
	if f.Get("do") == "book" && f.ok() {
		done, err := q.callBook(p, r)
		if done != nil || err != nil {
			return done, err
		}
		if got, err = q.diary().FindEmergencyPlace(q, r); err != nil {
			return nil, err
		}
	}
	return q.callPlaces(p, r, got)
}

// callWho asks who calls.
func (q *ask) callWho(p *callPage) (*page, error) {
	p.Step = "who"
	if p.Form.Get("reference") == "" && p.Form.Get("do") != "new" {
		next, err := q.nextReference()
		if err != nil {
			return nil, err
		}
		p.Form.Set("reference", next)
	}
	text := p.Form.Get("q")
	if text == "" || p.Form.Get("do") == "new" {
		return q.callShow(p), nil
	}
	p.Searched = true
	found, err := q.findPatients(text)
	if err != nil && !p.Form.refused(err, map[string]string{"filter": "q"}) {
		return nil, err
	}
	for _, patient := range found[:min(len(found), mostCallers)] {
		p.Found = append(p.Found, whomLine{Who: patientWords(patient), Path: lastPart(patient.GetName())})
	}
	return q.callShow(p), nil
}

// callNewPatient makes a patient with what is needed to book: a reference, and
// what helps to call back.
func (q *ask) callNewPatient(p *callPage, r *vw.FindEmergencyPlaceRequest) error {
	f := p.Form
	patient := &vw.Patient{Reference: f.Get("reference")}
	if text := f.Get("label"); text != "" {
		patient.Label = &text
	}
	if text := f.Get("phone"); text != "" {
		patient.Phone = &text
	}
	if patient.GetReference() == "" {
		f.wrong("reference", q.t("call.reference-missing"))
		return nil
	}
	made, err := q.planner().CreatePatient(q, &vw.CreatePatientRequest{Parent: q.practice, Patient: patient, RequestId: f.RequestID})
	if err != nil {
		if !f.refused(err, map[string]string{"patient.reference": "reference", "patient.label": "label", "patient.phone": "phone"}) {
			return err
		}
		return nil
	}
	f.RequestID = newRequestID()
	r.Patient = made.GetName()
	f.Set("patient", lastPart(made.GetName()))
	f.Set("do", "")
	return nil
}

// callPlaces shows the next places, the day's reserve among them.
func (q *ask) callPlaces(p *callPage, r *vw.FindEmergencyPlaceRequest, got *vw.FindEmergencyPlaceResponse) (*page, error) {
	p.Step, p.Text = "places", sentence(got.GetText())
	var h *house
	var who *who
	g := errgroup.Group{}
	g.Go(func() (err error) { h, err = q.house(); return err })
	g.Go(func() (err error) { who, err = q.whoIs(nil, r.GetPatient()); return err })
	if err := g.Wait(); err != nil {
		return nil, err
	}
	p.Who = who.Patient(r.GetPatient())
	for _, place := range got.GetPlaces() {
		p.Places = append(p.Places, &callPlace{placeView: q.placeView(h, place), Reserve: len(place.GetWarnings()) > 0,
			Sealed: sealed(place.GetPlace())})
	}
	return q.callShow(p), nil
}

// callBook books one of the places; nil when somebody was quicker, and the next
// places are shown.
func (q *ask) callBook(p *callPage, r *vw.FindEmergencyPlaceRequest) (*page, error) {
	f := p.Form
	place := &vw.Place{}
	if err := opened(f.Get("place"), place); err != nil {
		return nil, errBadForm
	}
	booking, err := q.diary().BookOffer(q, &vw.BookOfferRequest{Parent: q.practice, Patient: r.GetPatient(), RequestId: f.RequestID, Occasion: occasion.Of(p.trouble(), p.words(), r.GetAnswers()), Places: []*vw.PlaceToBook{{
		Place: place, Unplanned: &vw.UnplannedVisit{Protocol: "emergency-relief", Minutes: place.GetMinutes()}}}})
	switch {
	case err == nil:
		return goTo("/bookings/" + lastPart(booking.GetName())), nil
	case taken(err):
		f.Problem = q.t("call.taken")
	case !f.refused(err, nil):
		return nil, err
	}
	f.RequestID = newRequestID()
	return nil, nil
}
