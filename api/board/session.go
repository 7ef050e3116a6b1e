package board

import (
	"errors"
	"net"
	"net/http"
	"net/url"
	"strings"
	"time"

	"frostgate/api/access"

	"github.com/labstack/echo/v4"
)

// The cookie holds the token itself, out of the reach of scripts: revoking the token ends every session of it. The
// prefix __Host- has browsers refuse it from plain http, from other hosts and for parts of a path.
const (
	secureCookie = "__Host-frostgate"
	plainCookie  = "frostgate" // on this very machine, where there is no https
	sessionAge   = 14 * 24 * time.Hour
)

// secure tells that the browser reached us by https, maybe through a proxy. The proxy's word needs no trust here: who
// forges it only changes their own cookie.
func (b *Board) secure(c echo.Context) bool {
	return c.Scheme() == "https" || strings.HasPrefix(b.publicURL, "https://") && !loopback(c.Request().Host)
}

// loopback tells that a host is this machine.
func loopback(host string) bool {
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	ip := net.ParseIP(strings.Trim(host, "[]"))
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

func (b *Board) cookieName(c echo.Context) string {
	if b.secure(c) {
		return secureCookie
	}
	return plainCookie
}

func (b *Board) cookie(c echo.Context) string {
	found, err := c.Cookie(b.cookieName(c))
	if err != nil {
		return ""
	}
	return found.Value
}

func (b *Board) setCookie(c echo.Context, value string, age time.Duration) {
	seconds := int(age.Seconds())
	if value == "" {
		seconds = -1
	}
	c.SetCookie(&http.Cookie{ //nolint:gosec // Secure wherever the page came over https
		Name: b.cookieName(c), Value: value, Path: "/", MaxAge: seconds,
		Secure: b.secure(c), HttpOnly: true, SameSite: http.SameSiteLaxMode, // lax: links in notices lead here
	})
}

type signInForm struct {
	Next   string
	Wrong  string
	Refuse bool // neither https nor this machine: a token must not travel in the open
}

func (b *Board) toSignIn(c echo.Context) error {
	if c.Request().Method != http.MethodGet || c.Path() == "/live" {
		return &trouble{Status: http.StatusUnauthorized, Text: "You are signed out.", Advice: "Sign in and send the form again."}
	}
	return c.Redirect(http.StatusSeeOther, "/sign-in?next="+url.QueryEscape(c.Request().URL.RequestURI()))
}

func (b *Board) signInPage(c echo.Context) error {
	return b.showSignIn(c, http.StatusOK, signInForm{Next: ownPath(c.QueryParam("next"))})
}

func (b *Board) showSignIn(c echo.Context, status int, form signInForm) error {
	form.Refuse = !b.secure(c) && !loopback(c.Request().Host)
	return b.draw(c, nil, status, "sign-in", frame{Title: "Sign in", Page: form})
}

func (b *Board) signIn(c echo.Context) error {
	form := signInForm{Next: ownPath(c.FormValue("next"))}
	if !b.secure(c) && !loopback(c.Request().Host) {
		return b.showSignIn(c, http.StatusForbidden, form)
	}
	secret := strings.TrimSpace(c.FormValue("token"))
	_, err := b.gate.Identify(c.Request().Context(), secret, c.RealIP())
	if errors.Is(err, access.ErrUnknown) {
		form.Wrong = "This token is not known, or no longer valid. Check that it was copied whole: it begins with fg_ and has 62 characters."
		return b.showSignIn(c, http.StatusUnauthorized, form)
	}
	if err != nil {
		return err
	}
	b.setCookie(c, secret, sessionAge)
	return c.Redirect(http.StatusSeeOther, form.Next)
}

func (b *Board) signOut(c echo.Context) error {
	b.setCookie(c, "", 0)
	return c.Redirect(http.StatusSeeOther, "/sign-in")
}

// ownPath keeps a redirect on this host.
func ownPath(next string) string {
	u, err := url.Parse(next)
	if err != nil || u.IsAbs() || u.Host != "" || !strings.HasPrefix(next, "/") || strings.HasPrefix(next, "//") || strings.ContainsAny(next, "\\\r\n\t") {
		return "/"
	}
	return next
}
