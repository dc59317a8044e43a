// The evidence of before/after pairs, for tools/fit/fit-compare.
// Usage: fit_pairs LAYOUT BEFORE AFTER [LAYOUT BEFORE AFTER ...]; one JSON line a pair.
#include <cstdio>
#include <cstdlib>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "audio/reader.hpp"
#include "core/compare_evidence.hpp"

namespace {

using namespace pipebeat;

ComparedRecording heard(const std::string& path, const Engine& engine, std::optional<Rpm> near = {}) {
  auto reader = audio::AudioReader::open(path);
  if (!reader) {
    std::fprintf(stderr, "fit_pairs: %s\n", reader.error().what.c_str());
    std::exit(2);
  }
  ListenerOptions options;
  options.speed_guess = near;
  auto listener = Listener::create(engine, reader->sample_rate(), options);
  std::vector<float> block(4096 * static_cast<std::size_t>(reader->channels()));
  while (const auto got = reader->read(block).value()) {
    listener->push(std::span{block}.first(static_cast<std::size_t>(got)));
  }
  return as_compared(*listener);
}

/// As the program does.
void hear_alike(ComparedRecording& one, const std::string& path, const ComparedRecording& other, const Engine& engine) {
  const auto near = speed_of_the_other(one.finding, other.finding);
  if (!near) return;
  ComparedRecording again = heard(path, engine, near);
  if (again.evidence) one = std::move(again);
}

}  // namespace

int main(int argc, char** argv) {
  const std::vector<std::string> words{argv + 1, argv + argc};
  std::printf("%s\n", nlohmann::json{{"side", core::side_evidence_names()},
                                     {"shared", core::shared_evidence_names()}}
                          .dump()
                          .c_str());
  for (std::size_t i = 0; i + 2 < words.size(); i += 3) {
    const Engine engine = Engine::make(builtin_engine(words[i]).value()).value();
    ComparedRecording before = heard(words[i + 1], engine);
    ComparedRecording after = heard(words[i + 2], engine);
    hear_alike(before, words[i + 1], after, engine);
    hear_alike(after, words[i + 2], before, engine);
    const auto evidence = core::pair_evidence(engine, std::span{&before, 1}, std::span{&after, 1});
    const nlohmann::json line =
        evidence ? nlohmann::json{{"before", evidence->before}, {"after", evidence->after},
                                  {"shared", evidence->shared}}
                 : nlohmann::json();
    std::printf("%s\n", line.dump().c_str());
  }
}
