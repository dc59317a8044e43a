// Job cards made by hand.
#pragma once

#include <string>
#include <vector>

#include "job/table.hpp"
#include "pipebeat/job.hpp"

namespace pipebeat::test {

inline const job::Table& table() {
  static const job::Table built_in = job::parse_table("built-in", std::string{job::builtin_table_text()}).value();
  return built_in;
}

/// A petrol four in line with port injection and plug leads, in one row.
inline JobCard four() {
  JobCard card;
  card.created = "2026-11-25T08:00:00Z";
  card.vehicle = "bakery van";
  card.layout = "inline4";
  card.engine.order = {1, 3, 4, 2};
  card.bench.ignition = Ignition::leads;
  card.rows = {{1, 2, 3, 4}};
  return card;
}

/// Adds a reading as the command line would.
inline void read(JobCard& card, int cylinder, std::string_view what, std::string_view text,
                 std::string_view followed = "") {
  JobEntry e;
  e.id = static_cast<int>(card.entries.size()) + 1;
  e.date = "2026-11-25T08:00:00Z";
  e.kind = JobEntry::Kind::reading;
  e.reading = read_reading(what, text, cylinder, card.bench).value().reading;
  e.reading.followed = followed;
  card.entries.push_back(std::move(e));
}

/// Adds a finding of a listening command.
inline void find(JobCard& card, std::string_view command, std::string_view json) {
  JobEntry e;
  e.id = static_cast<int>(card.entries.size()) + 1;
  e.date = "2026-11-25T08:00:00Z";
  e.kind = JobEntry::Kind::finding;
  e.command = command;
  e.finding = json;
  card.entries.push_back(std::move(e));
}

inline void work(JobCard& card, std::string_view text) {
  JobEntry e;
  e.id = static_cast<int>(card.entries.size()) + 1;
  e.kind = JobEntry::Kind::work;
  e.text = text;
  card.entries.push_back(std::move(e));
}

}  // namespace pipebeat::test
