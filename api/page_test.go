package api

import (
	"fmt"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"frostgate/api/access"
	"frostgate/db"

	"github.com/stretchr/testify/require"
)

var linked = regexp.MustCompile(`<([^>]*)>; rel="([a-z]+)"`)

// rels are the links of an answer by their relation (RFC 8288).
func (a answer) rels() map[string]string {
	rels := map[string]string{}
	for _, m := range linked.FindAllStringSubmatch(a.header.Get("Link"), -1) {
		rels[m[2]] = m[1]
	}
	return rels
}

func names(items []object) []string {
	var list []string
	for _, item := range items {
		list = append(list, item.str("name"))
	}
	return list
}

// A reader who follows the links sees every record that was there when he began exactly once, whatever comes in between.
func TestPagesStayInPlaceWhileRecordsAreAdded(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	start := func(day int) time.Time { return firstStart.AddDate(0, 0, day) }
	for day := range 10 {
		b.do(call{method: "POST", path: "/v1/pours", body: s.pour(fmt.Sprintf("pour %d", day), start(day))}).is(201)
	}
	var seen []string
	added := 0
	path := "/v1/pours?limit=3&state=planned"
	for path != "" {
		a := b.do(call{method: "GET", path: path})
		seen = append(seen, names(a.is(200).items())...)
		require.LessOrEqual(t, len(a.is(200).items()), 3)
		require.Equal(t, "/v1/pours?limit=3&state=planned", a.rels()["first"])
		path = a.rels()["next"]
		// One before what was read and one after, by the other crew.
		for _, at := range []time.Time{start(-1 - added), start(20 + added)} {
			b.do(call{method: "POST", path: "/v1/pours", body: s.pour(fmt.Sprintf("late %s", at.Format(time.DateOnly)), at).with(object{"crew_id": s.otherCrew})}).is(201)
		}
		if added++; added == 4 {
			break
		}
	}
	for day := range 10 {
		want := fmt.Sprintf("pour %d", day)
		count := 0
		for _, name := range seen {
			if name == want {
				count++
			}
		}
		require.Equal(t, 1, count, want)
	}
}

func TestPagesForthAndBack(t *testing.T) {
	t.Parallel()
	b := setup(t)
	for i := range 7 {
		b.do(call{method: "POST", path: "/v1/plants", body: object{"name": fmt.Sprintf("plant %d", i)}}).is(201)
	}
	first := b.do(call{method: "GET", path: "/v1/plants?limit=3"})
	require.Equal(t, []string{"plant 0", "plant 1", "plant 2"}, names(first.is(200).items()))
	require.NotContains(t, first.rels(), "prev")
	second := b.do(call{method: "GET", path: first.rels()["next"]})
	require.Equal(t, []string{"plant 3", "plant 4", "plant 5"}, names(second.is(200).items()))
	third := b.do(call{method: "GET", path: second.rels()["next"]})
	require.Equal(t, []string{"plant 6"}, names(third.is(200).items()))
	require.NotContains(t, third.rels(), "next")
	back := b.do(call{method: "GET", path: third.rels()["prev"]})
	require.Equal(t, second.body, back.body)
	require.Equal(t, first.body, b.do(call{method: "GET", path: back.rels()["prev"]}).body)
	require.Equal(t, first.body, b.do(call{method: "GET", path: third.rels()["first"]}).body)
}

func TestACursorBelongsToItsListAndFilters(t *testing.T) {
	t.Parallel()
	b := setup(t)
	for i := range 3 {
		b.do(call{method: "POST", path: "/v1/plants", body: object{"name": fmt.Sprintf("plant %d", i)}}).is(201)
	}
	next, err := url.Parse(b.do(call{method: "GET", path: "/v1/plants?limit=1"}).rels()["next"])
	require.NoError(t, err)
	cursor := next.Query().Get("after")
	b.do(call{method: "GET", path: "/v1/plants?limit=2&after=" + cursor}).is(200) // the size of the page may change
	for _, path := range []string{"/v1/crews?after=", "/v1/plants?archived=true&after=", "/v1/plants?text=p&after="} {
		b.do(call{method: "GET", path: path + cursor}).wrong(422, "invalid", "after format")
	}
	for i := range len(cursor) {
		for _, letter := range "Az9_-" {
			forged := cursor[:i] + string(letter) + cursor[i+1:]
			if forged == cursor {
				continue
			}
			a := b.do(call{method: "GET", path: "/v1/plants?after=" + forged})
			// The last letter carries bits beyond the text that the encoding ignores.
			if i < len(cursor)-1 || a.status != 200 {
				a.wrong(422, "invalid", "after format")
			}
		}
	}
	for _, cut := range []int{0, 1, 10, len(cursor) - 1} {
		if cut > 0 {
			b.do(call{method: "GET", path: "/v1/plants?after=" + cursor[:cut]}).wrong(422, "invalid", "after format")
		}
	}
}

func TestPoursByDayPlacePeopleAndVerdict(t *testing.T) {
	t.Parallel()
	w := newWorld(t) // Bay 3 on 2026-01-15 at 7:00 in Chicago, verdict move
	phoenix := w.do(call{method: "POST", path: "/v1/sites", body: object{"name": "Desert", "latitude": 33.4, "longitude": -112, "timezone": "America/Phoenix"}}).is(201).str("id")
	late := w.do(call{method: "POST", path: "/v1/pours", body: w.pour("Late", time.Date(2026, 1, 17, 5, 30, 0, 0, time.UTC)).with(object{"crew_id": w.otherCrew})}) // 23:30 on the 16th in Chicago
	late.is(201)
	desert := w.do(call{method: "POST", path: "/v1/pours", body: w.pour("Desert", time.Date(2026, 1, 18, 6, 30, 0, 0, time.UTC)).with(object{
		"crew_id": w.otherCrew, "site_id": phoenix, "plant_id": w.otherPlant, "name": "Desert_1 100%",
	})}) // 23:30 on the 17th in Phoenix
	desert.is(201)
	w.do(call{method: "POST", path: "/v1/pours/" + late.is(201).str("id") + "/cancel", body: object{}}).is(200)
	for query, want := range map[string][]string{
		"": {"Bay 3", "Late", "Desert_1 100%"},
		"day_from=2026-01-16&day_until=2026-01-16": {"Late"},
		"day_from=2026-01-17&day_until=2026-01-17": {"Desert_1 100%"},
		"day_from=2026-01-18":                      nil,
		"day_until=2026-01-15":                     {"Bay 3"},
		"starts_from=2026-01-17T00:00:00Z":         {"Late", "Desert_1 100%"},
		"starts_before=2026-01-17T05:30:00Z":       {"Bay 3"},
		"site_id=" + w.site:                        {"Bay 3", "Late"},
		"site_id=" + w.site + "," + phoenix:        {"Bay 3", "Late", "Desert_1 100%"},
		"plant_id=" + w.otherPlant:                 {"Desert_1 100%"},
		"crew_id=" + w.otherCrew:                   {"Late", "Desert_1 100%"},
		"mix_id=" + someID:                         nil,
		"verdict=move":                             {"Bay 3"},
		"verdict=unscored":                         {"Late", "Desert_1 100%"},
		"verdict=place,protect":                    nil,
		"state=cancelled":                          {"Late"},
		"state=planned,cancelled&text=bay":         {"Bay 3"},
		"text=100%25":                              {"Desert_1 100%"},
		"text=_1":                                  {"Desert_1 100%"},
		"text=north":                               {"Bay 3", "Late"},
		"state=planned&crew_id=" + w.otherCrew:     {"Desert_1 100%"},
	} {
		require.Equal(t, want, names(w.do(call{method: "GET", path: "/v1/pours?" + query}).is(200).items()), query)
	}
	line := w.do(call{method: "GET", path: "/v1/pours?verdict=move"}).is(200).items()[0]
	require.Equal(t, "America/Chicago", line["timezone"])
	require.Equal(t, "Crew 1", line["crew_name"])
	require.Equal(t, "move", object(line["latest"].(map[string]any))["verdict"])
	require.Equal(t, "The base is frozen.", object(line["latest"].(map[string]any))["worst_reason"])
}

// A scope narrows lists too, page by page.
func TestListsOfANarrowedToken(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	for day := range 6 {
		form := s.pour(fmt.Sprintf("pour %d", day), firstStart.AddDate(0, 0, day))
		if day%2 == 1 {
			form["crew_id"] = s.otherCrew
		}
		b.do(call{method: "POST", path: "/v1/pours", body: form}).is(201)
	}
	token := b.grant(access.Field, db.Scope{Crews: ids([]string{s.crew})})
	var seen []string
	for path := "/v1/pours?limit=2"; path != ""; {
		a := b.do(call{method: "GET", path: path, token: token})
		seen = append(seen, names(a.is(200).items())...)
		path = a.rels()["next"]
	}
	require.Equal(t, []string{"pour 0", "pour 2", "pour 4"}, seen)
	require.Equal(t, []string{"Crew 1"}, names(b.do(call{method: "GET", path: "/v1/crews", token: token}).is(200).items()))
	sheet := b.do(call{method: "GET", path: "/v1/pours.csv", token: token}).body
	require.False(t, slices.ContainsFunc([]string{"pour 1", "pour 3", "Crew 2"}, func(hidden string) bool { return strings.Contains(sheet, hidden) }))
}
