package cli

import (
	"net/url"
	"strings"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// FeedCommand keeps calendar feeds.
type FeedCommand struct {
	Add    FeedAdd    `cmd:"" help:"Make a feed of a clinician or a resource; its address is shown once."`
	List   FeedList   `cmd:"" default:"1" help:"List the feeds, without their secrets."`
	Remove FeedRemove `cmd:"" help:"End a feed: its address stops at once."`
}

// FeedAdd makes a feed.
type FeedAdd struct {
	Owner string `arg:"" help:"Whose calendar: clinicians/ID or resources/ID."`
	Label string `help:"What it is for, for example the device that subscribes. No patient's data." placeholder:"TEXT"`
	At    string `help:"Where feeds are served, as calendar programs reach it, for example https://practice.example." placeholder:"URL"`
}

// Run makes the feed and shows its address.
func (c *FeedAdd) Run(s *Session) error {
	at := ""
	if c.At != "" {
		u, err := url.Parse(c.At)
		if err != nil || u.Host == "" || u.Scheme != "https" && u.Scheme != "http" || u.RawQuery != "" || u.Fragment != "" {
			return usage("--at: want the address of a server, for example https://practice.example")
		}
		at = strings.TrimSuffix(u.String(), "/")
	}
	owner, err := s.owner(c.Owner)
	if err != nil {
		return err
	}
	made, err := s.Client.Diary.CreateCalendarFeed(s.Context, &vw.CreateCalendarFeedRequest{Parent: s.parent(), Feed: &vw.CalendarFeed{Owner: owner, Label: c.Label}})
	if err != nil {
		return err
	}
	return s.Show(made, func(p *Page) {
		p.Field("Feed", "%s", shortID(made.GetName()))
		p.Field("Owner", "%s", shortID(made.GetOwner()))
		p.Gap()
		if at != "" {
			p.Text("Give this address to the calendar program:")
		} else {
			p.Text("Put this behind the address where the feeds are served (serve --feed) and give it to the calendar program:")
		}
		p.Command("", at+made.GetSecretPath())
		p.Text("Whoever knows it reads the calendar: times, rooms and the practice's references of patients. It is shown this once. `visitwright diary feed remove` ends it.")
	})
}

// FeedList lists the feeds.
type FeedList struct{ PageFlags }

// Run lists the feeds.
func (c *FeedList) Run(s *Session) error {
	reply, err := s.Client.Diary.ListCalendarFeeds(s.Context, &vw.ListCalendarFeedsRequest{Parent: s.parent(), PageSize: c.Most, PageToken: c.After})
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) {
		var rows [][]string
		for _, f := range reply.GetFeeds() {
			rows = append(rows, []string{shortID(f.GetName()), strings.TrimPrefix(f.GetOwner(), s.parent()+"/"), f.GetCreateTime().AsTime().Format("2006-01-02 15:04"), f.GetLabel()})
		}
		p.list([]string{"id", "owner", "since (UTC)", "label"}, rows, "calendar feeds", reply.GetNextPageToken())
	})
}

// FeedRemove ends a feed.
type FeedRemove struct {
	Feed string `arg:"" help:"Id of the feed."`
}

// Run ends the feed.
func (c *FeedRemove) Run(s *Session) error {
	if _, err := s.Client.Diary.DeleteCalendarFeed(s.Context, &vw.DeleteCalendarFeedRequest{Name: s.name("calendarFeeds", c.Feed)}); err != nil {
		return err
	}
	return s.Show(&vw.DeleteCalendarFeedResponse{}, func(p *Page) { p.Text("Feed %s has ended: its address answers no more.", c.Feed) })
}
