#include "pipebeat/finding.hpp"

#include <doctest/doctest.h>

#include <set>

using namespace pipebeat;

TEST_CASE("Verdicts and reasons have the words that scripts read") {
  CHECK(to_string(Verdict::dead_miss) == "dead_miss");
  CHECK(to_string(Verdict::intermittent_miss) == "intermittent_miss");
  CHECK(to_string(Verdict::random_miss) == "random_miss");
  CHECK(to_string(Verdict::weak_cylinder) == "weak_cylinder");
  CHECK(to_string(Verdict::rough_no_miss) == "rough_no_miss");
  CHECK(to_string(Verdict::even) == "even");
  CHECK(to_string(Verdict::unclear) == "unclear");
  const std::set<std::string_view> unclear{"no_engine_heard", "too_short", "speed_not_found",
                                           "speed_ambiguous", "clipped",   "too_noisy",
                                           "layout_needed"};
  std::set<std::string_view> words;
  for (int i = 0; i < unclear_reason_count; ++i) words.insert(to_string(ReasonCode{i}));
  CHECK(words == unclear);
}

TEST_CASE("Only dead, intermittent and random are misses") {
  int misses = 0;
  for (std::size_t i = 0; i < verdict_count; ++i) misses += is_miss(Verdict(i)) ? 1 : 0;
  CHECK(misses == 3);
  CHECK_FALSE(is_miss(Verdict::weak_cylinder));
  CHECK_FALSE(is_miss(Verdict::unclear));
}
