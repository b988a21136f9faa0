package planner

import (
	"embed"
	"encoding/json"
	"fmt"
	"slices"
	"sort"
	"strings"
	"sync"

	"github.com/visitwright/visitwright/planner/anaesthetic"
	"github.com/visitwright/visitwright/planner/anatomy"
	"github.com/visitwright/visitwright/planner/difficulty"
	"github.com/visitwright/visitwright/planner/proposal"
	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/planner/recall"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

//go:embed data/catalogues.json
var wordsFile embed.FS

// catalogue is one open set of ids.
type catalogue struct {
	id, title string
	entries   func(*protocol.Catalogue) ([]*vw.CatalogueEntry, error)
}

// catalogues lists all of them by id. Those that are words alone stand in
// data/catalogues.json; the others are asked of the package that owns them.
var catalogues = sortedCatalogues(
	catalogue{"absence-kinds", "why somebody or something is out of the diary", words("absence-kinds")},
	catalogue{"alert-details", "what exactly an alert is about", words("alert-details")},
	catalogue{"alerts", "facts about a patient that act on plans and visits", alertEntries},
	catalogue{"anaesthetic-profiles", "countries whose limits of local anaesthetic apply", profileEntries},
	catalogue{"anaesthetics", "local anaesthetics", agentEntries},
	catalogue{"anatomy-kinds", "shapes of the root canal system", shapeEntries},
	catalogue{"apical-diagnoses", "diagnoses of the tissues at the root end", termEntries((*protocol.Catalogue).ApicalDiagnoses)},
	catalogue{"canal-states", "where a canal stands", words("canal-states")},
	catalogue{"cautions", "what the clinician must know", words("cautions")},
	catalogue{"chair-events", "what may happen in the chair", eventEntries},
	catalogue{"change-kinds", "changes that a watch tells of", words("change-kinds")},
	catalogue{"change-reasons", "why an appointment is moved or cancelled", words("change-reasons")},
	catalogue{"closing-reasons", "why a case ends", closingEntries},
	catalogue{"consent-forms", "how a consent was given", consentEntries},
	catalogue{"difficulty-answers", "answers to the questions of the difficulty form", answerEntries},
	catalogue{"difficulty-criteria", "questions of the difficulty form, in the order of a visit", criterionEntries},
	catalogue{"difficulty-editions", "editions of the difficulty form", editionEntries},
	catalogue{"evidence-signs", "signs of the number of canals", words("evidence-signs")},
	catalogue{"factors", "facts of tooth, day and wishes that protocol and rules ask for", factorEntries},
	catalogue{"figures", "every figure that a practice may set itself", figureEntries},
	catalogue{"late-actions", "what to do when a patient comes past the latest day", words("late-actions")},
	catalogue{"medicaments", "dressings between visits", medicamentEntries},
	catalogue{"offer-constraints", "what an offer must keep to", words("offer-constraints")},
	catalogue{"offer-costs", "what makes an offer better or worse", words("offer-costs")},
	catalogue{"plan-causes", "why a plan revision was made", words("plan-causes")},
	catalogue{"protocols", "kinds of visit and treatment", protocolEntries},
	catalogue{"pulpal-diagnoses", "diagnoses of the pulp", termEntries((*protocol.Catalogue).PulpalDiagnoses)},
	catalogue{"red-flags", "questions that come before any emergency appointment", redFlagEntries},
	catalogue{"review-calendars", "when reviews fall due after treatment or injury", calendarEntries},
	catalogue{"rules", "rules that speak for or against a way of treating", ruleEntries},
	catalogue{"stages", "the work between two stopping points", stageEntries},
	catalogue{"steps", "pieces of work", stepEntries},
	catalogue{"stops", "states of the tooth in which a visit may end", stopEntries},
	catalogue{"temporaries", "temporary restorations", temporaryEntries},
	catalogue{"visit-kinds", "kinds of visit", protocolEntries},
)

func sortedCatalogues(all ...catalogue) []catalogue {
	sort.Slice(all, func(i, j int) bool { return all[i].id < all[j].id })
	return all
}

func catalogueByID(id string) (catalogue, bool) {
	i := slices.IndexFunc(catalogues, func(c catalogue) bool { return c.id == id })
	if i < 0 {
		return catalogue{}, false
	}
	return catalogues[i], true
}

// wordEntry is an entry of data/catalogues.json.
type wordEntry struct {
	ID          string `json:"id"`
	Title       string `json:"title"`
	Explanation string `json:"explanation"`
	BelongsTo   string `json:"belongs_to"`
}

var wordEntries = sync.OnceValues(func() (map[string][]wordEntry, error) {
	text, err := wordsFile.ReadFile("data/catalogues.json")
	if err != nil {
		return nil, err
	}
	var all map[string][]wordEntry
	if err := json.Unmarshal(text, &all); err != nil {
		return nil, fmt.Errorf("data/catalogues.json: %w", err)
	}
	return all, nil
})

func words(id string) func(*protocol.Catalogue) ([]*vw.CatalogueEntry, error) {
	return func(*protocol.Catalogue) ([]*vw.CatalogueEntry, error) {
		all, err := wordEntries()
		if err != nil {
			return nil, err
		}
		var out []*vw.CatalogueEntry
		for _, e := range all[id] {
			out = append(out, &vw.CatalogueEntry{Id: e.ID, Title: e.Title, Explanation: e.Explanation, BelongsTo: e.BelongsTo})
		}
		return out, nil
	}
}

func alertEntries(*protocol.Catalogue) ([]*vw.CatalogueEntry, error) {
	var out []*vw.CatalogueEntry
	for _, a := range proposal.Alerts() {
		out = append(out, &vw.CatalogueEntry{Id: a.ID, Title: a.Text, Explanation: a.Effect})
	}
	return out, nil
}

func redFlagEntries(*protocol.Catalogue) ([]*vw.CatalogueEntry, error) {
	var out []*vw.CatalogueEntry
	for _, f := range proposal.RedFlags() {
		out = append(out, &vw.CatalogueEntry{Id: f.ID, Title: f.Question})
	}
	return out, nil
}

func calendarEntries(*protocol.Catalogue) ([]*vw.CatalogueEntry, error) {
	calendars, err := recall.Calendars()
	if err != nil {
		return nil, err
	}
	var out []*vw.CatalogueEntry
	for _, c := range calendars {
		text := "counted from " + string(c.Anchor)
		if c.YearlyToYears > 0 {
			text += fmt.Sprintf(", then yearly to %d years", c.YearlyToYears)
		}
		out = append(out, &vw.CatalogueEntry{Id: c.ID, Title: c.Name, Explanation: fmt.Sprintf("%s. %s: %s", text, c.Mark.Kind, c.Mark.Source)})
	}
	return out, nil
}

func ruleEntries(*protocol.Catalogue) ([]*vw.CatalogueEntry, error) {
	var out []*vw.CatalogueEntry
	for _, r := range proposal.Rules() {
		out = append(out, &vw.CatalogueEntry{Id: r.ID, Title: r.Text,
			Explanation: fmt.Sprintf("%s, about %s; when %s. %s: %s", r.Strength, r.About, strings.Join(r.When, " and "), r.Kind, r.Source)})
	}
	return out, nil
}

func profileEntries(*protocol.Catalogue) ([]*vw.CatalogueEntry, error) {
	var out []*vw.CatalogueEntry
	for _, p := range anaesthetic.Profiles() {
		out = append(out, &vw.CatalogueEntry{Id: string(p), Title: p.Name()})
	}
	return out, nil
}

func agentEntries(*protocol.Catalogue) ([]*vw.CatalogueEntry, error) {
	var out []*vw.CatalogueEntry
	for _, a := range anaesthetic.Agents() {
		out = append(out, &vw.CatalogueEntry{Id: a.ID, Title: a.Name,
			Explanation: fmt.Sprintf("%g to %g %%, vasoconstrictor: %s", a.LeastPercent, a.MostPercent, a.Vasoconstrictor)})
	}
	return out, nil
}

func shapeEntries(*protocol.Catalogue) ([]*vw.CatalogueEntry, error) {
	var out []*vw.CatalogueEntry
	for _, s := range []anatomy.Shape{anatomy.Usual, anatomy.CShaped, anatomy.DistolingualRoot} {
		out = append(out, &vw.CatalogueEntry{Id: string(s), Title: s.Words()})
	}
	return out, nil
}

func termEntries(list func(*protocol.Catalogue) []protocol.Term) func(*protocol.Catalogue) ([]*vw.CatalogueEntry, error) {
	return func(c *protocol.Catalogue) ([]*vw.CatalogueEntry, error) {
		var out []*vw.CatalogueEntry
		for _, t := range list(c) {
			out = append(out, &vw.CatalogueEntry{Id: t.ID, Title: t.Name})
		}
		return out, nil
	}
}

func closingEntries(*protocol.Catalogue) ([]*vw.CatalogueEntry, error) {
	var out []*vw.CatalogueEntry
	for _, r := range closingReasons {
		out = append(out, &vw.CatalogueEntry{Id: r.id, Title: r.title, Explanation: r.explanation})
	}
	return out, nil
}

func consentEntries(*protocol.Catalogue) ([]*vw.CatalogueEntry, error) {
	var out []*vw.CatalogueEntry
	for _, f := range consentForms {
		out = append(out, &vw.CatalogueEntry{Id: f.id, Title: f.title})
	}
	return out, nil
}

func editionEntries(*protocol.Catalogue) ([]*vw.CatalogueEntry, error) {
	var out []*vw.CatalogueEntry
	for _, e := range difficulty.Editions() {
		out = append(out, &vw.CatalogueEntry{Id: string(e), Title: e.Title()})
	}
	return out, nil
}

// criterionEntries lists the questions of each edition; belongs_to is the
// edition.
func criterionEntries(*protocol.Catalogue) ([]*vw.CatalogueEntry, error) {
	var out []*vw.CatalogueEntry
	for _, e := range difficulty.Editions() {
		criteria, err := difficulty.Criteria(e)
		if err != nil {
			return nil, err
		}
		for _, c := range criteria {
			for _, p := range c.Parts {
				out = append(out, &vw.CatalogueEntry{Id: p.ID, Title: p.Topic, Explanation: p.Ask, BelongsTo: string(e)})
			}
		}
	}
	return out, nil
}

// answerEntries lists the answers; belongs_to is the question. An answer that
// two editions share stands once, as the newest edition words it.
func answerEntries(*protocol.Catalogue) ([]*vw.CatalogueEntry, error) {
	var out []*vw.CatalogueEntry
	seen := map[[2]string]bool{}
	for _, e := range slices.Backward(difficulty.Editions()) {
		criteria, err := difficulty.Criteria(e)
		if err != nil {
			return nil, err
		}
		for _, c := range criteria {
			for _, p := range c.Parts {
				for _, a := range p.Answers {
					if key := [2]string{p.ID, a.ID}; !seen[key] {
						seen[key] = true
						out = append(out, &vw.CatalogueEntry{Id: a.ID, Title: a.Text, BelongsTo: p.ID,
							Explanation: fmt.Sprintf("%s in the %s", a.Level, e.Title())})
					}
				}
			}
		}
	}
	return out, nil
}

func factorEntries(*protocol.Catalogue) ([]*vw.CatalogueEntry, error) {
	var out []*vw.CatalogueEntry
	for _, c := range conditions {
		out = append(out, &vw.CatalogueEntry{Id: c.id, Title: c.title})
	}
	for _, f := range dayFacts {
		out = append(out, &vw.CatalogueEntry{Id: f.id, Title: f.title})
	}
	return out, nil
}
