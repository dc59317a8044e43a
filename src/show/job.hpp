// The job card for people and scripts: history, causes, next test.
#pragma once

#include <string>
#include <vector>

#include "pipebeat/job.hpp"
#include "show/paragraphs.hpp"

namespace pipebeat::show {

struct JobTextOptions {
  std::string folder = "DIR";  ///< `as_argument`, for the commands named
  bool colour = false;
  int columns = usual_columns;  ///< of the terminal, where there is one
};

/// The whole card: vehicle, engine, every entry with its number, what it points to.
[[nodiscard]] std::string to_text(const JobCard& card, const Diagnosis& diagnosis,
                                  const JobTextOptions& options);

/// What the readings point to and the next test, with how it is done, what each outcome would mean
/// and its cautions.
[[nodiscard]] std::string next_text(const JobCard& card, const Diagnosis& diagnosis,
                                    const JobTextOptions& options);

/// The same, schema pipebeat.next/1, one line.
[[nodiscard]] std::string next_json(const JobCard& card, const Diagnosis& diagnosis);

/// One entry of the history as a sentence without its full stop.
[[nodiscard]] std::string sentence(const JobEntry& entry);

/// A date of the job file (UTC) as people read it: "2026-11-25 16:40"; anything else as it is.
[[nodiscard]] std::string day_and_time(const std::string& date);

/// "inline4, 4 cylinders, four-stroke, petrol, port injection"
[[nodiscard]] std::string engine_in_words(const JobCard& card);

/// The causes as people want to read them: while no cylinder stands out, each cause once without a
/// cylinder, its probabilities added up; then one by one. Most probable first.
[[nodiscard]] std::vector<RankedCause> causes_to_show(const Diagnosis& diagnosis);

/// False for a test in which nothing is touched.
[[nodiscard]] bool needs_caution(const TestAdvice& test);

/// ", cylinder 3", ", cylinders 2 and 3" or nothing.
[[nodiscard]] std::string place_in_words(const std::vector<int>& cylinders);

/// A command of a test's recipe with the job's folder in it.
[[nodiscard]] std::string with_folder(std::string text, const std::string& folder);

}  // namespace pipebeat::show
