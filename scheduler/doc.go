// Package scheduler keeps the winter going: it pulls the weather, has every pour
// assessed anew when something it rests on changes, decides what is news, and
// sees that each notice arrives.
//
// Every replica runs one [Scheduler] on the same database. Clock ticks put one
// job per minute into the queue, whoever fires first; jobs are the queue's, so
// what a replica leaves unfinished another one takes up. The steps are
//
//	tick -> pull -> assess (and notice) -> deliver
//
// and each is one transaction that also enqueues the next. All of them bear
// being done twice.
package scheduler
