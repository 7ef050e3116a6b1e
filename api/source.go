package api

import (
	"context"
	"net/http"
	"strings"
	"time"

	"frostgate/db"
	"frostgate/scheduler/forecast"
)

// A WeatherSource is a service that weather or warnings come from, as it stands.
type WeatherSource struct {
	Name        string     `json:"name"`
	Credit      string     `json:"credit" doc:"To be shown beside the data, as the source asks."`
	CreditLink  string     `json:"credit_link,omitempty"`
	Gives       string     `json:"gives" enum:"forecast,spread,observations,warnings"`
	Cells       int        `json:"cells" doc:"Grid cells, stations or zones that planned and placed pours rest on."`
	IssuedAt    *time.Time `json:"issued_at" doc:"Of its newest weather, by its own word; of warnings when it last answered. null without any."`
	TriedAt     *time.Time `json:"tried_at"`
	SucceededAt *time.Time `json:"succeeded_at"`
	LastError   string     `json:"last_error,omitempty" doc:"Of a cell that fails now."`
	StaleAfterH float64    `json:"stale_after_h" doc:"Age from which it is doubtful."`
	DeadAfterH  float64    `json:"dead_after_h" doc:"Age from which it is not used."`
	State       string     `json:"state" enum:"fresh,stale,dead,none,unused" doc:"By the age of its newest weather; unused when no pour rests on it."`
	Host        SourceHost `json:"host"`
}

// A SourceHost is how the host of a source stands with all replicas together.
type SourceHost struct {
	Name        string     `json:"name"`
	Breaker     string     `json:"breaker" enum:"shut,open,trying" doc:"open: it failed too often and is left alone; trying: one call finds out."`
	ClosedUntil *time.Time `json:"closed_until" doc:"It is not called before."`
	SkewS       *float64   `json:"skew_s" doc:"Seconds by which its clock was last ahead of this machine's; beyond 600 its answers are refused."`
}

// WeatherSources are all of them.
type WeatherSources struct {
	Items []WeatherSource `json:"items"`
}

func (a *API) serveSources() {
	const tag = "Weather"
	serve(a, route{
		method: http.MethodGet, path: "/v1/sources", id: "list-sources", tag: tag, summary: "List the services that weather comes from",
		about: "With the credit that each asks for and how fresh it is.", roles: anyRole,
	}, func(ctx context.Context, _ *struct{}) (*answered[WeatherSources], error) {
		hosts, err := a.db.Hosts(ctx)
		if err != nil {
			return nil, err
		}
		list := WeatherSources{Items: []WeatherSource{}}
		for _, about := range a.weather {
			health, err := a.db.SourceHealth(ctx, about.Name, a.now())
			if err != nil {
				return nil, err
			}
			list.Items = append(list.Items, sourceView(about, health, hosts, a.now()))
		}
		return &answered[WeatherSources]{Body: list}, nil
	})
	a.serveSourceOrder()
}

func sourceView(about forecast.About, h db.SourceHealth, hosts []db.Host, now time.Time) WeatherSource {
	if about.Warns {
		h.IssuedAt = h.SucceededAt
	}
	s := WeatherSource{
		Name: about.Name, Credit: about.Attribution, CreditLink: about.Link, Gives: givesOf(about), Cells: h.Cells,
		IssuedAt: h.IssuedAt, TriedAt: h.TriedAt, SucceededAt: h.SucceededAt, LastError: h.LastError,
		StaleAfterH: about.StaleAfter.Hours(), DeadAfterH: about.DeadAfter.Hours(), State: stateOf(about, h, now),
		Host: SourceHost{Name: about.Host, Breaker: string(db.BreakerShut)},
	}
	for _, host := range hosts {
		if host.Host == about.Host {
			s.Host.Breaker, s.Host.SkewS = string(host.Breaker), host.SkewS
			if host.ClosedUntil != nil && host.ClosedUntil.After(now) {
				s.Host.ClosedUntil = host.ClosedUntil
			}
		}
	}
	return s
}

func givesOf(about forecast.About) string {
	switch {
	case about.Warns:
		return "warnings"
	case about.Measures:
		return "observations"
	case about.Partial:
		return "spread"
	}
	return "forecast"
}

func stateOf(about forecast.About, h db.SourceHealth, now time.Time) string {
	switch {
	case h.Cells == 0:
		return "unused"
	case h.IssuedAt == nil:
		return "none"
	case about.DeadAfter > 0 && now.Sub(*h.IssuedAt) > about.DeadAfter:
		return "dead"
	case about.StaleAfter > 0 && now.Sub(*h.IssuedAt) > about.StaleAfter:
		return "stale"
	}
	return "fresh"
}

// A SourceOrder is the order in which sources are asked for a variable, the preferred first.
type SourceOrder struct {
	Variable string   `json:"variable"`
	Sources  []string `json:"sources"`
	SetBy    string   `json:"set_by" enum:"site,firm,usual"`
	Usual    []string `json:"usual" doc:"The order that nobody had to set."`
}

// SourceOrders is the table of a site.
type SourceOrders struct {
	Region string        `json:"region" enum:"us,nordic,else" doc:"That the usual order is for."`
	Items  []SourceOrder `json:"items"`
}

func (a *API) serveSourceOrder() {
	serve(a, route{
		method: http.MethodGet, path: "/v1/sites/{id}/source-order", id: "get-source-order", tag: "Weather",
		summary: "Read from which source each variable is taken at a site",
		about:   "Set it with source_order of the site, or of the firm. Hours past are taken from stations first where they reported.", roles: anyRole,
	}, func(ctx context.Context, in *itemInput) (*answered[SourceOrders], error) {
		site, err := a.db.Site(ctx, scopeOf(ctx), in.ID)
		if err != nil {
			return nil, err
		}
		firm, err := a.db.Firm(ctx)
		if err != nil {
			return nil, err
		}
		region, err := a.regionOf(ctx, site)
		if err != nil {
			return nil, err
		}
		return &answered[SourceOrders]{Body: orderTable(region, firm.SourceOrder, site.SourceOrder)}, nil
	})
}

// regionOf is the part of the world that a site lies in, by the sources found for it.
func (a *API) regionOf(ctx context.Context, site db.Site) (forecast.Region, error) {
	cells, err := a.db.SiteCells(ctx, site.ID)
	var names []string
	for _, c := range cells {
		if c.LatestIssueID != nil {
			names = append(names, c.Source)
		}
	}
	return forecast.RegionOf(forecast.Place{Latitude: site.Latitude, Longitude: site.Longitude}, names), err
}

func orderTable(region forecast.Region, firm, site map[string][]string) SourceOrders {
	table := SourceOrders{Region: string(region)}
	orders := forecast.OrdersOf(firm, site)
	for _, v := range forecast.Variables() {
		row := SourceOrder{Variable: string(v), Sources: orders.Of(v, region), SetBy: "usual", Usual: forecast.Order(v, region)}
		switch {
		case site[string(v)] != nil:
			row.SetBy = "site"
		case firm[string(v)] != nil:
			row.SetBy = "firm"
		}
		table.Items = append(table.Items, row)
	}
	return table
}

// checkOrder refuses variables and sources that there are not.
func checkOrder(order map[string][]string) (violations []Violation) {
	for _, fault := range forecast.Faults(order) {
		violations = append(violations, atPointer("/source_order/"+inPointer.Replace(fault.Variable), "invalid", fault.Detail))
	}
	return violations
}

// inPointer escapes a name in a JSON Pointer (RFC 6901).
var inPointer = strings.NewReplacer("~", "~0", "/", "~1")
