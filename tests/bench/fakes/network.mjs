/**
 * The wireless: each request is on its way out, then its answer on its way back, until `move` decides what becomes of
 * it. Requests are lost, delayed beyond the client's patience, doubled; answers are lost and overtake one another.
 */

import { busy, noAnswer, portal } from "./server.mjs";

export class Wireless {
  constructor(server, chance, now) {
    this.server = server;
    this.chance = chance;
    this.now = now;
    this.flights = [];
    this.isUp = true;
    this.isFaulty = true;
  }

  /** The network as one tab sees it. */
  courier(tab) {
    return {
      send: (entry, content, epoch) => this.#start(tab, { fields: content.fields, epoch, person: entry.person }),
      ask: (person) => this.#start(tab, { fields: null, epoch: null, person }),
    };
  }

  #start(tab, request) {
    if (!this.isUp) return Promise.resolve(noAnswer());
    return new Promise((resolve) => {
      this.flights.push({ request, answer: null, arrive: (answer) => tab.isAlive && resolve(answer) });
    });
  }

  /** One flight goes on. */
  move() {
    const place = this.isFaulty ? this.chance.below(this.flights.length) : 0;
    const [flight] = this.flights.splice(place, 1);
    if (flight.answer) this.#comeBack(flight);
    else this.#goOut(flight);
  }

  #goOut(flight) {
    const fate = this.isFaulty ? this.chance.next() : 1;
    if (fate < 0.08) return flight.arrive(noAnswer());
    if (fate < 0.12) return flight.arrive(portal(this.chance.one([200, 302, 403])));
    if (fate < 0.18) return this.#delay(flight);
    if (fate < 0.26) return this.#return(flight, busy(this.chance.one([408, 429, 500, 503])));
    if (fate < 0.34) this.flights.push({ ...flight, arrive: () => {} });
    return this.#return(flight, this.server.answer(flight.request, this.now()));
  }

  /** The client gives up; the request arrives some time. */
  #delay(flight) {
    flight.arrive(noAnswer());
    this.flights.push({ ...flight, arrive: () => {} });
  }

  #return(flight, answer) {
    this.flights.push({ ...flight, answer });
  }

  #comeBack(flight) {
    flight.arrive(this.isFaulty && this.chance.happens(0.12) ? noAnswer() : flight.answer);
  }

  /** The server stops: no connection outlives it. Answers that it gave may still arrive. */
  cut() {
    const lost = this.flights.filter((flight) => !flight.answer);
    this.flights = this.flights.filter((flight) => flight.answer);
    for (const flight of lost) flight.arrive(noAnswer());
  }

  /** What of this record is still under way never arrives. */
  forget(id) {
    this.flights = this.flights.filter((flight) => {
      if (flight.answer || flight.request.fields?.id !== id) return true;
      flight.arrive(noAnswer());
      return false;
    });
  }
}
