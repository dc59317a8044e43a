#include "show/json.hpp"

#include <doctest/doctest.h>

#include <cmath>
#include <limits>
#include <string>

#include "findings.hpp"

using namespace pipebeat;

namespace {

std::string json_of(const Finding& f, std::string_view file = "a.wav") {
  const Engine engine = test::four();
  return show::to_json({file, engine, f});
}

bool contains(const std::string& text, std::string_view part) {
  return text.find(part) != std::string::npos;
}

}  // namespace

TEST_CASE("A finding becomes one line with the contract's keys in the contract's order") {
  CHECK(json_of(test::one_dead()) ==
        R"({"schema":"pipebeat.check/1","file":"a.wav","duration_s":12.0,"sample_rate_hz":48000,)"
        R"("engine":{"cylinders":4,"strokes":4,"positions":4},)"
        R"("verdict":"dead_miss","confidence":0.97,"miss_probability":0.999,)"
        R"("missing_event_ratio":0.25,"missing_event_ratio_interval":[0.236,0.261],)"
        R"("underlying_rate_interval":[0.203,0.304],)"
        R"("events":{"expected":276,"missing":69},)"
        R"("rpm":{"mean":702.1,"min":688.0,"max":719.5},"firing_hz":23.4,)"
        R"("positions":[)"
        R"({"position":1,"level":1.02,"missing_ratio":0.0,"missing_ratio_interval":[0.0,0.053]},)"
        R"({"position":2,"level":0.98,"missing_ratio":0.0,"missing_ratio_interval":[0.0,0.053]},)"
        R"({"position":3,"level":0.04,"missing_ratio":1.0,"missing_ratio_interval":[0.947,1.0]},)"
        R"({"position":4,"level":1.0,"missing_ratio":0.0,"missing_ratio_interval":[0.0,0.053]}],)"
        R"j("reasons":["position 3 carries no pulse (level 0.04; 1 is a full pulse)"],)j"
        R"("input":{"usable_s":11.8,"clipped_share":0.0,"snr_db":14.2}})");
}

TEST_CASE(
    "Unclear: numbers that can't be given are null and the first reason starts with its code") {
  const std::string json = json_of(test::unclear(ReasonCode::no_engine_heard));
  CHECK(contains(json, R"("verdict":"unclear","confidence":null,"miss_probability":null,)"
                       R"("missing_event_ratio":null,"missing_event_ratio_interval":null,)"
                       R"("underlying_rate_interval":null,)"
                       R"("events":{"expected":null,"missing":null},)"
                       R"("rpm":{"mean":null,"min":null,"max":null},"firing_hz":null,)"
                       R"("positions":[],"reasons":["no_engine_heard: no running engine)"));
  CHECK(contains(json, R"("snr_db":null)"));
  for (int i = 0; i < unclear_reason_count; ++i) {
    const ReasonCode code{i};
    const std::string start = "\"reasons\":[\"" + std::string{to_string(code)} + ": ";
    CHECK(contains(json_of(test::unclear(code)), start));
  }
}

TEST_CASE("Numbers are finite or null") {
  Finding f = test::one_dead();
  f.confidence = std::nan("");
  f.missing_event_ratio = std::numeric_limits<double>::infinity();
  f.positions[0].level = -std::numeric_limits<double>::infinity();
  f.sample_rate_hz = std::nan("");
  const std::string json = json_of(f);
  CHECK(contains(json, R"("confidence":null)"));
  CHECK(contains(json, R"("missing_event_ratio":null)"));
  CHECK(contains(json, R"("level":null)"));
  CHECK(contains(json, R"("sample_rate_hz":null)"));
  CHECK_FALSE(contains(json, "inf"));
  CHECK_FALSE(contains(json, ":nan"));
}

TEST_CASE("Any file name makes one valid line") {
  CHECK(contains(json_of(test::one_dead(), "two\nlines \"quoted\".wav"),
                 R"("file":"two\nlines \"quoted\".wav")"));
  CHECK(contains(json_of(test::one_dead(), "Bäckerei.wav"), "Bäckerei.wav"));
  CHECK(contains(json_of(test::one_dead(), "\xff\xfe.wav"), "\xEF\xBF\xBD.wav"));
}

TEST_CASE(
    "A change is told beside the findings of a take that goes on, and only while there is one") {
  const Finding f;
  const auto said = [&](const std::optional<PulseChange>& change) {
    return show::to_live_json({"take.wav", test::four(), f}, f, true, change, 1.23);
  };
  CHECK_FALSE(contains(said({}), "\"change\""));
  CHECK(contains(said(PulseChange{4.0, true}), R"("change":{"ago_s":1.2,"pulse":"lost"})"));
  CHECK(contains(said(PulseChange{4.0, false}), R"("change":{"ago_s":1.2,"pulse":"back"})"));
}
