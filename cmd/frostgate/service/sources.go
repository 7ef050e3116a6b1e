package service

import (
	"frostgate/scheduler/forecast"
	"frostgate/scheduler/forecast/local"
	"frostgate/scheduler/forecast/metno"
	"frostgate/scheduler/forecast/nws"
	"frostgate/scheduler/forecast/openmeteo"
)

// Off in place of an address leaves a weather service out.
const Off = "off"

// Weather says whom to ask for the forecast. An empty address is the public host; the services that want to know whom
// to write to are left out without a contact.
type Weather struct {
	Contact      string // mail address or page of the operator, as public services ask for
	NWSURL       string // forecast, observations and warnings of the US National Weather Service
	OpenMeteoURL string // default the public host, or the one for customers when there is a key
	EnsembleURL  string // mean and spread of an ensemble, of the same service; left out beside another Open-Meteo host
	OpenMeteoKey string
	MetNorwayURL string
	Folder       string // with the firm's own weather; or
	FeedURL      string // where it lies
	PlainHTTP    bool   // the services are asked without TLS; for ones on this machine
}

// sources sets up those that are to be asked.
func (w Weather) sources(client *forecast.Client) (sources []forecast.Source, warners []forecast.Warner, err error) {
	add := func(source forecast.Source, failed error) {
		if failed != nil && err == nil {
			err = failed
		}
		sources = append(sources, source)
	}
	if w.Folder != "" || w.FeedURL != "" {
		source, err := local.New(local.Config{Folder: w.Folder, URL: w.FeedURL, Client: client})
		add(source, err)
	}
	if w.NWSURL != Off && w.Contact != "" {
		us, err := nws.New(nws.Config{Client: client, BaseURL: w.NWSURL})
		if err != nil {
			return nil, nil, err
		}
		add(us.Forecast(), nil)
		add(us.Stations(), nil)
		warners = append(warners, us.Alerts())
	}
	if w.OpenMeteoURL != Off {
		source, err := openmeteo.New(openmeteo.Config{Client: client, BaseURL: w.OpenMeteoURL, Key: w.OpenMeteoKey})
		add(source, err)
	}
	if w.EnsembleURL != Off && (w.EnsembleURL != "" || w.OpenMeteoURL == "") {
		source, err := openmeteo.NewEnsemble(openmeteo.Config{Client: client, BaseURL: w.EnsembleURL, Key: w.OpenMeteoKey})
		add(source, err)
	}
	if w.MetNorwayURL != Off && w.Contact != "" {
		source, err := metno.New(metno.Config{Client: client, BaseURL: w.MetNorwayURL})
		add(source, err)
	}
	return sources, warners, err
}
