// The job card: an engine, what was heard and read on it, and what that points to.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "pipebeat/bench.hpp"
#include "pipebeat/engine.hpp"

namespace pipebeat {

/// One line of a job's history. Nothing is ever removed: corrections come as new entries.
struct JobEntry {
  enum class Kind {
    reading,     ///< made at the engine by hand
    finding,     ///< made by a listening command
    work,        ///< something was repaired: what was read before no longer describes the engine
    note,        ///< free text
    withdrawal,  ///< `replaces` was wrong and nothing takes its place
  };
  int id = 0;        ///< from 1, unique in the job; given when the entry is written
  std::string date;  ///< UTC, "2026-11-25T16:40:00Z"; given when the entry is written, if empty
  Kind kind = Kind::note;
  int replaces = 0;  ///< id of the entry this one corrects; 0: none
  Reading reading;   ///< kind reading
  std::string text;  ///< the owner's words: work, note, withdrawal; any characters
  int cylinder = 0;  ///< of a work entry; 0: the engine
  // kind finding:
  std::string command;                  ///< check, listen, compare, droptest, locate, clicks
  std::vector<std::string> recordings;  ///< relative to the job folder, or as the user gave them
  std::string finding;                  ///< the command's JSON object, on one line
};

/// A job as its file holds it.
struct JobCard {
  std::string created;  ///< UTC
  std::string vehicle;  ///< the owner's words
  EngineSpec engine;
  bool order_stated = true;  ///< false: nobody gave the firing order, it is the layout's usual one
  std::string layout;  ///< name of the built-in layout it came from, or empty
  Bench bench;
  /// Cylinders that stand side by side in the block, row by row: who shares a gasket with whom.
  std::vector<std::vector<int>> rows;
  std::vector<std::string> tools;  ///< what the user owns; empty: not said
  std::vector<JobEntry> entries;   ///< by rising id

  /// Entries that still hold: neither corrected nor withdrawn, corrections included.
  [[nodiscard]] std::vector<const JobEntry*> standing() const;
};

/// A cause with its certainty.
struct RankedCause {
  std::string cause;           ///< code, as the table of likelihoods names it
  std::string words;           ///< in plain English
  std::vector<int> cylinders;  ///< one; two side by side; empty for the whole engine
  double probability = 0.0;    ///< over all causes they add up to 1
  std::vector<std::string> evidence_for;
  std::vector<std::string> evidence_against;
};

/// The only caution of a test, as the table writes it, when there is nothing to be cautious about.
inline constexpr std::string_view no_caution = "None: nothing is touched.";

/// A test worth doing.
struct TestAdvice {
  /// One result it can have.
  struct Outcome {
    std::string words;
    double probability = 0.0;
    std::string then;              ///< the likeliest cause after it, in words
    double then_probability = 0.0;
  };
  std::string test;   ///< code, as the table names it
  std::string words;  ///< in plain English
  int cylinder = 0;   ///< where to do it; 0: the engine
  double minutes = 0.0;
  double bits = 0.0;  ///< information expected from it
  std::vector<std::string> how;
  std::vector<std::string> cautions;
  std::vector<std::string> record;  ///< command-line options that write the result down
  std::vector<Outcome> outcomes;
};

/// What the readings point to.
struct Diagnosis {
  std::vector<RankedCause> causes;          ///< all, most probable first
  std::vector<double> cylinder_probability; ///< [i]: that cylinder i+1 is at fault
  std::vector<std::string> contradictions;  ///< readings that can't both be right
  std::vector<std::string> remarks;         ///< what was left out and why
  std::vector<TestAdvice> tests;            ///< most information per minute first
  bool settled = false;                     ///< sure enough to repair, then prove it
};

}  // namespace pipebeat
