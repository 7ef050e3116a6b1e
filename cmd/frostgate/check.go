package main

import (
	"errors"
	"fmt"
	"net/mail"
	"net/url"

	"frostgate/cmd/frostgate/service"
)

// check refuses flags that would be found wrong only when weather or messages fail to come.
func (c *serveCommand) check() error {
	switch u, err := url.Parse(c.PublicURL); {
	case c.PublicURL != "" && (err != nil || !web(u) || u.RawQuery != "" || u.Fragment != ""):
		return fmt.Errorf("--public-url %q is no address of a web server, such as https://frost.example.org", c.PublicURL)
	case c.GroupWindow < 0:
		return errors.New("--group-window must not be negative")
	case c.MostMessages < 0:
		return errors.New("--most-messages must not be negative")
	}
	if err := c.mailFlags.check(); err != nil {
		return err
	}
	return c.weatherFlags.check()
}

func (f mailFlags) check() error {
	if f.SMTPHost == "" {
		return nil
	}
	if _, err := mail.ParseAddress(f.SMTPFrom); err != nil {
		return fmt.Errorf("--smtp-from %q is no mail address, and --smtp-host needs one", f.SMTPFrom)
	}
	if f.SMTPPort < 0 || f.SMTPPort > 65535 {
		return errors.New("--smtp-port must lie between 1 and 65535")
	}
	return nil
}

func (f weatherFlags) check() error {
	for _, a := range []struct{ flag, text string }{
		{"nws-url", f.NWSURL},
		{"open-meteo-url", f.OpenMeteoURL},
		{"ensemble-url", f.EnsembleURL},
		{"met-norway-url", f.MetNorwayURL},
		{"weather-feed", f.WeatherFeed},
	} {
		if a.text == "" || a.text == service.Off && a.flag != "weather-feed" {
			continue
		}
		u, err := url.Parse(a.text)
		if err != nil || !web(u) {
			return fmt.Errorf("--%s %q is no address of a web server, such as https://weather.example.org", a.flag, a.text)
		}
		if u.Scheme == "http" && !f.PlainHTTP {
			return fmt.Errorf("--%s %q is without TLS, which --plain-http would allow", a.flag, a.text)
		}
	}
	return nil
}

func web(u *url.URL) bool { return (u.Scheme == "http" || u.Scheme == "https") && u.Host != "" }
