// Prints what the listener measures in labelled recordings, one JSON object a line: the features of
// every speed candidate, and the evidence at the candidate nearest to the true speed. tools/fit/fit
// turns these lines into the tables of src/core.
//
//   evidence [--seconds S] [--vary N] DIR...        each DIR with a labels.jsonl
//
// With --seconds so much of each recording only, from anywhere in it, as `listen` judges the last seconds: its speed
// and whether any pulse is missing are those of that part. With --vary N variations of each recording in its place:
// played faster or slower, through other filters, in more noise. Both give the fit more to learn from than there are
// recordings; they count as the engine they are made of.
#include <fmt/core.h>
#include <fmt/ranges.h>

#include <atomic>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <fstream>
#include <mutex>
#include <nlohmann/json.hpp>
#include <optional>
#include <sndfile.hh>
#include <string>
#include <thread>
#include <vector>

#include "core/passage.hpp"
#include "core/signals.hpp"
#include "core/speed.hpp"
#include "variation.hpp"

namespace {

using nlohmann::json;
using namespace pipebeat;
using namespace pipebeat::core;

EngineSpec spec_of(const json& label) {
  EngineSpec spec;
  const json& args = label.value("args", json::object());
  const auto number = [&](const char* key, int fallback) {
    if (label.contains(key) && label[key].is_number() && label[key].get<int>() > 0) return label[key].get<int>();
    if (args.contains(key) && args[key].is_number() && args[key].get<int>() > 0) return args[key].get<int>();
    return fallback;
  };
  spec.cylinders = number("cylinders", 4);
  spec.strokes = number("strokes", 4);
  if (label.contains("firing_order")) spec.order = label["firing_order"].get<std::vector<int>>();
  if (label.contains("intervals_deg")) spec.intervals_deg = label["intervals_deg"].get<std::vector<double>>();
  if (label.contains("heard_cylinders")) spec.heard = label["heard_cylinders"].get<std::vector<int>>();
  return spec;
}

/// Which engine made a recording, for splits that never share one.
std::string group_of(const std::string& dir, const json& label) {
  const std::string file = label["file"];
  const std::string source = label.value("source", "");
  for (const char* key : {"engine_id", "group_id", "pair"}) {
    if (label.contains(key) && !label[key].is_null() && label[key] != "none") return dir + key + label[key].dump();
  }
  if (!source.empty() && !label.contains("layout")) return dir + file.substr(0, 1);
  return dir + file;
}

/// A recording and what is taken of it.
struct Work {
  std::string dir;
  json label;
  std::optional<Variation> variation;
  std::optional<Part> part;
};

double seconds_of(const std::string& dir, const json& label) {
  const SndfileHandle sound{dir + "/" + label["file"].get<std::string>()};
  return static_cast<double>(sound.frames()) / std::max(1, sound.samplerate());
}

json examine(const Work& work) {
  const auto& [dir, label, variation, part] = work;
  const std::string file = label["file"];
  SndfileHandle sound{dir + "/" + file};
  std::vector<float> frames(static_cast<std::size_t>(sound.frames() * sound.channels()));
  sound.readf(frames.data(), sound.frames());
  std::vector<float> mono(static_cast<std::size_t>(sound.frames()));
  for (std::size_t i = 0; i < mono.size(); ++i) mono[i] = frames[i * static_cast<std::size_t>(sound.channels())];
  const double rate_hz = std::round(sound.samplerate() * (variation ? variation->faster : 1.0));
  if (variation) vary(mono, rate_hz, *variation);
  if (part) {
    const auto sample = [&](double at_s) { return std::min(mono.size(), static_cast<std::size_t>(at_s * rate_hz)); };
    mono = {mono.begin() + static_cast<std::ptrdiff_t>(sample(part->begin_s)), mono.begin() + static_cast<std::ptrdiff_t>(sample(part->end_s))};
  }
  const auto engine = Engine::make(spec_of(label));
  if (!engine) return {{"file", file}, {"error", engine.error().what}};

  SignalBank bank{rate_hz};
  Signals signals;
  std::vector<LevelPoint> strip;
  bank.push(mono, signals, strip);
  remove_mains(signals);
  const RunningSums sums{signals};
  const auto candidates = find_speed(signals, sums, *engine, std::nullopt);

  const bool whole = !variation && !part;
  json out{{"dir", dir}, {"file", file}, {"group", group_of(dir, label)}, {"whole", whole}};
  for (const char* key : {"class", "condition", "profile", "layout", "mic", "view", "snr_db", "missing_ratio", "duration"}) {
    if (label.contains(key)) out[key] = label[key];
  }
  double truth = 0.0;
  for (const char* key : {"rpm_mean_running", "rpm_about"}) {
    if (label.contains(key) && label[key].is_number()) truth = label[key];
  }
  out["rpm"] = truth;
  out["candidates"] = json::array();
  const SpeedCandidate* nearest = candidates.empty() ? nullptr : &candidates.front();
  for (const SpeedCandidate& c : candidates) {
    out["candidates"].push_back({{"rpm", c.mean_rpm}, {"features", c.features}});
    if (truth > 0.0 && c.mean_rpm > 0.0 &&
        (nearest->mean_rpm <= 0.0 || std::abs(std::log(c.mean_rpm / truth)) < std::abs(std::log(nearest->mean_rpm / truth)))) {
      nearest = &c;
    }
  }
  if (nearest != nullptr) {
    PassageDetails details;
    const Passage p = hear_at_speed(sums, *nearest, 0.0, *engine, &details);
    if (whole && label.contains("events") && (label["class"] == "intermittent" || label["class"] == "scattered")) {
      out["positions"] = engine->positions().size();
      out["true_events"] = json::array();  // time of valve opening, missing
      for (const json& e : label["events"]) {
        if (e[4] == 1 && e[5] == 1) out["true_events"].push_back({e[0], e[2] == 0 ? 1 : 0});
      }
      out["events"] = json::array();
      for (std::size_t i = 0; i < p.events.size(); ++i) {
        json row = json::array({std::round(p.events[i].time_s * 1e4) / 1e4});
        for (float x : details.features[i]) row.push_back(std::round(x * 100.0F) / 100.0F);
        out["events"].push_back(std::move(row));
      }
      out["splits"] = json::array();  // position, cues, a digit a cycle: 1 for a miss
      for (const SplitChoice& choice : details.splits) {
        std::string misses;
        for (const float m : choice.missing) misses += m >= 0.5F ? '1' : '0';
        out["splits"].push_back({choice.position, choice.cues, misses});
      }
      out["shapes"] = json::array();  // cues, a digit an event: 1 for a miss
      for (const ShapeChoice& choice : details.shapes) {
        std::string misses;
        for (const float m : choice.missing) misses += m >= 0.5F ? '1' : '0';
        out["shapes"].push_back({choice.cues, misses});
      }
    }
    out["heard"] = p.engine_heard;
    out["heard_rpm"] = nearest->mean_rpm;
    if (p.engine_heard) out["evidence"] = p.evidence;
  }
  return out;
}

}  // namespace

int main(int argc, char** argv) {
  std::vector<Work> work;
  double seconds = 0.0;
  int variations = 0;
  for (int i = 1; i < argc; ++i) {
    const std::string given = argv[i];
    if (given == "--seconds" && i + 1 < argc) {
      seconds = std::atof(argv[++i]);
      continue;
    }
    if (given == "--vary" && i + 1 < argc) {
      variations = std::atoi(argv[++i]);
      continue;
    }
    std::ifstream labels{given + "/labels.jsonl"};
    if (!labels) {
      fmt::print(stderr, "evidence: {} has no labels.jsonl\n", given);
      return 2;
    }
    for (std::string line; std::getline(labels, line);) {
      json label = json::parse(line);
      if (label["class"].is_null()) continue;
      if (!label.contains("duration")) label["duration"] = seconds_of(given, label);
      for (int copy = 0; copy < std::max(1, variations); ++copy) {
        Work w{given, label, {}, {}};
        if (variations > 0) {
          w.variation = variation_of(2 * work.size());
          w.label = label_of(w.label, *w.variation);
        }
        if (seconds > 0.0) {
          w.part = part_of(w.label, seconds, work.size());
          w.label = label_of(w.label, *w.part);
        }
        w.label.erase("rpm_trace");
        work.push_back(std::move(w));
      }
    }
  }
  std::vector<std::string> lines(work.size());
  std::atomic<std::size_t> next{0};
  std::vector<std::jthread> threads;
  for (unsigned t = 0; t < std::max(1U, std::thread::hardware_concurrency()); ++t) {
    threads.emplace_back([&] {
      for (std::size_t i; (i = next++) < work.size();) lines[i] = examine(work[i]).dump();
    });
  }
  threads.clear();
  fmt::print("{}\n", json{{"names", std::vector<std::string>(evidence_names.begin(), evidence_names.end())}}.dump());
  for (const std::string& line : lines) fmt::print("{}\n", line);
}
