package desk

import (
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// entries are the entries of one catalogue, in its order.
type entries struct {
	list []*vw.CatalogueEntry
	by   map[string]*vw.CatalogueEntry
}

// Title is an entry in words; an id that is not known is shown as it is.
func (e entries) Title(id string) string {
	if entry := e.by[id]; entry != nil {
		return entry.GetTitle()
	}
	return id
}

// Explain is what an entry means or does.
func (e entries) Explain(id string) string { return e.by[id].GetExplanation() }

// options are the entries that may still be chosen, below a first choice that
// says nothing; none when first is empty.
func (e entries) options(first string) []option {
	var out []option
	if first != "" {
		out = append(out, option{Text: first})
	}
	for _, entry := range e.list {
		if !entry.GetRetired() {
			out = append(out, option{Value: entry.GetId(), Text: entry.GetTitle()})
		}
	}
	return out
}

// belonging are the entries that belong to another.
func (e entries) belonging(to string) []*vw.CatalogueEntry {
	var out []*vw.CatalogueEntry
	for _, entry := range e.list {
		if entry.GetBelongsTo() == to {
			out = append(out, entry)
		}
	}
	return out
}

// titlesFor is how long titles are kept. They ship with the service and change
// only when another version is started; pages that show figures ask for them.
const titlesFor = 5 * time.Minute

// titles keeps the catalogues that forms and pages name things by.
type titles struct {
	mu   sync.Mutex
	kept map[string]keptTitles
}

type keptTitles struct {
	entries entries
	until   time.Time
}

// catalogues reads several catalogues at once, by id.
func (q *ask) catalogues(ids ...string) (map[string]entries, error) {
	out := make(map[string]entries, len(ids))
	var missing []string
	t := &q.desk.titles
	t.mu.Lock()
	for _, id := range ids {
		if kept, found := t.kept[q.practice+"/"+id]; found && q.desk.o.Now().Before(kept.until) {
			out[id] = kept.entries
		} else {
			missing = append(missing, id)
		}
	}
	t.mu.Unlock()
	if len(missing) == 0 {
		return out, nil
	}
	read := make([]entries, len(missing))
	g, ctx := errgroup.WithContext(q)
	for i, id := range missing {
		g.Go(func() error {
			reply, err := q.planner().ListCatalogueEntries(ctx, &vw.ListCatalogueEntriesRequest{Parent: q.practice, Catalogue: id, PageSize: mostInList})
			if err != nil {
				return err
			}
			read[i] = entries{list: reply.GetEntries(), by: map[string]*vw.CatalogueEntry{}}
			for _, e := range reply.GetEntries() {
				read[i].by[e.GetId()] = e
			}
			return nil
		})
	}
	if err := g.Wait(); err != nil {
		return nil, err
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.kept == nil {
		t.kept = map[string]keptTitles{}
	}
	for i, id := range missing {
		out[id] = read[i]
		t.kept[q.practice+"/"+id] = keptTitles{read[i], q.desk.o.Now().Add(titlesFor)}
	}
	return out, nil
}

// clinicians are the people who treat, for choices and names.
func (q *ask) clinicians() ([]*vw.Clinician, error) {
	reply, err := q.planner().ListClinicians(q, &vw.ListCliniciansRequest{Parent: q.practice, PageSize: mostInList})
	return reply.GetClinicians(), err
}
