// Package api is the JSON interface of the service: resources over HTTP with one shape of error (problem.go), one
// way of being asked who you are (api/access), and an OpenAPI document that is generated from the handlers.
//
// Each resource has its own file. A handler reads its input, opens one transaction when it writes, and turns records
// of db into what is sent; decisions about concrete are made in rules, work that takes time is the scheduler's.
package api
